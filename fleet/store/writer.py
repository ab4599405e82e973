"""The one writer of wake records: a batch is one transaction, and what it answers is true only after the commit."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

from sqlalchemy import Connection, bindparam, delete
from sqlalchemy.exc import DBAPIError

from fleet.errors import StoreError
from fleet.messages import Receipt
from fleet.store.arrived import ArrivedAnswer, ArrivedRecord, LinkEvent, Unreadable, Written
from fleet.store.engine import Store
from fleet.store.insert import append, insert_wakes, upsert
from fleet.store.known import Known, NodeState
from fleet.store.newest import LATEST_COLUMNS, latest_row
from fleet.store.rows import Row, day_of
from fleet.store.sorting import sort_out
from fleet.store.tables import ANSWERS, DIRTY, LATEST, LINK_EVENTS, SET_ASIDE, SPANS, WAKES

_GONE = delete(SPANS).where(
    SPANS.c.node_id == bindparam("n"),
    SPANS.c.boot == bindparam("b"),
    SPANS.c.since == bindparam("s"),
    SPANS.c.first_seq == bindparam("f"),
)


class Writer:
    """Keeps node ids, settings and running sequences in memory between batches. Not for several threads at once."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._held = store.hold()
        self._conn = self._held.__enter__()
        self._known = Known()
        self._version = -1

    def write_batch(
        self,
        records: Sequence[ArrivedRecord],
        *,
        set_aside: Sequence[Unreadable] = (),
        answers: Sequence[ArrivedAnswer] = (),
        links: Sequence[LinkEvent] = (),
    ) -> Written:
        """Store everything in one transaction, in the order given; return after the commit.

        A record whose (node, boot, seq) is stored already is counted as a duplicate and changes nothing, whenever it
        comes back and whatever time it is believed to have now. Node names never seen are kept as unknown nodes.
        Touched node-days are marked dirty and `latest` follows, in the same transaction. After an exception nothing
        of the batch is stored: acknowledge nothing, keep the batch, call again.

        Raises
        ------
        StoreError
            If the database can't be written (full, locked, gone).
        """
        conn = self._conn
        try:
            with conn.begin():
                self._refresh(conn)
                written = self._write(conn, records, answers)
                _add(conn, set_aside, links)
        except DBAPIError as why:
            self._known = Known()
            cause = str(why.orig).strip().splitlines()[0]
            raise StoreError(
                f"{self.store.url}: batch of {len(records)} records not stored: {cause}. Nothing of it is acknowledged;"
                " it is tried again. Look at free space, and at who else writes."
            ) from why
        except BaseException:
            self._known = Known()
            raise
        return written._replace(set_aside_count=len(set_aside))

    def close(self) -> None:
        """Let go of the connection."""
        self._held.__exit__(None, None, None)

    def _refresh(self, conn: Connection) -> None:
        """Forget what another process may have changed."""
        if not self.store.on_sqlite:
            self._known.forget_states()
            return
        version = int(conn.exec_driver_sql("PRAGMA data_version").scalar_one())
        if version != self._version:
            self._known.forget_states()
            self._version = version

    def _write(self, conn: Connection, records: Sequence[ArrivedRecord], answers: Sequence[ArrivedAnswer]) -> Written:
        known = self._known
        known.new_nodes = []
        first_heard: dict[str, float] = {}
        for node, at in chain(((a.node, a.arrived) for a in records), ((a.node, a.arrived) for a in answers)):
            if node not in known.ids:
                first_heard.setdefault(node, at)
        known.node_ids(conn, first_heard)
        known.load_states(conn, {known.ids[arrived.node] for arrived in records}, lock=not self.store.on_sqlite)
        rows, touched = sort_out(conn, records, known)
        stored = insert_wakes(conn, WAKES, rows)
        self._mark_dirty(conn, rows)
        receipts = _receipts(touched, records, known)
        _write_runs(conn, touched)
        _write_latest(conn, touched)
        append(
            conn,
            ANSWERS,
            ("node_id", "arrived", "rev", "answer", "why"),
            [(known.ids[a.node], a.arrived, a.answer.rev, a.answer.answer, a.answer.why) for a in answers],
        )
        return Written(stored, len(records) - stored, 0, receipts, list(known.new_nodes))

    def _mark_dirty(self, conn: Connection, rows: list[Row]) -> None:
        fresh = {(day_of(row), row[1]) for row in rows} - self._known.dirty
        upsert(conn, DIRTY, ("day", "node_id"), sorted(fresh))
        if self.store.on_sqlite:  # a roll-up takes marks away, and is seen by its commit
            self._known.dirty |= fresh


def _receipts(
    touched: dict[int, NodeState], records: Sequence[ArrivedRecord], known: Known
) -> list[tuple[str, Receipt]]:
    pairs = dict.fromkeys((arrived.node, arrived.record.boot) for arrived in records)
    found = ((node, boot, touched[known.ids[node]].runs.upto(boot)) for node, boot in pairs)
    return [(node, Receipt(boot, upto)) for node, boot, upto in found if upto is not None]


def _write_runs(conn: Connection, touched: dict[int, NodeState]) -> None:
    gone: list[dict[str, float]] = []
    fresh: list[Row] = []
    for node_id, state in touched.items():
        removed, runs = state.runs.changes()
        gone += [{"n": node_id, "b": boot, "s": since, "f": first} for boot, since, first in removed]
        fresh += [(node_id, run.boot, run.since, run.first, run.last, run.until) for run in runs]
    if gone:
        conn.execute(_GONE, gone)
    upsert(conn, SPANS, ("node_id", "boot", "since", "first_seq", "last_seq", "last_t"), fresh)


def _write_latest(conn: Connection, touched: dict[int, NodeState]) -> None:
    """`latest` follows the newest record; a value that it does not carry stays as it was."""
    rows = [latest_row(state) for state in touched.values()]
    upsert(conn, LATEST, LATEST_COLUMNS, rows, keep_known=True)
    for state in touched.values():
        state.newer.clear()


def _add(conn: Connection, set_aside: Sequence[Unreadable], links: Sequence[LinkEvent]) -> None:
    append(conn, SET_ASIDE, Unreadable._fields, set_aside)
    append(conn, LINK_EVENTS, LinkEvent._fields, links)


def write_batch(
    store: Store,
    records: Sequence[ArrivedRecord],
    *,
    set_aside: Sequence[Unreadable] = (),
    answers: Sequence[ArrivedAnswer] = (),
    links: Sequence[LinkEvent] = (),
) -> Written:
    """One batch by a writer of its own; see `Writer.write_batch`."""
    writer = Writer(store)
    try:
        return writer.write_batch(records, set_aside=set_aside, answers=answers, links=links)
    finally:
        writer.close()
