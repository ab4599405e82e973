"""Whether a record whose number is stored already is the same record or one of another life of the node."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, bindparam, select

from fleet.store.archived import archived_run
from fleet.store.rows import BOOT, CONTENT_COLUMNS, SAME_TIME_S, SEQ, Row, T, content_of, is_repeat
from fleet.store.runs import Run
from fleet.store.tables import WAKES
from fleet.units import S_PER_H

Stored = dict[int, tuple[float, Row]]

_NODE = 1
_EXACT = "SELECT 1 FROM wakes WHERE hour = ? AND node_id = ? AND t = ? AND boot = ? AND seq = ?"
_ONE_RUN = select(WAKES.c.seq, WAKES.c.t, *(WAKES.c[name] for name in CONTENT_COLUMNS)).where(
    WAKES.c.hour.in_(bindparam("hours", expanding=True)),
    WAKES.c.node_id == bindparam("node_id"),
    WAKES.c.boot == bindparam("boot"),
)


class Repeats:
    """Looks up stored records run by run, and those of the running batch, for the length of one batch."""

    def __init__(self, conn: Connection, rows: list[Row]) -> None:
        self.conn = conn
        self._rows = rows  # of this batch so far: they are not in the table yet
        self._runs: dict[tuple[int, int, float, int], Stored] = {}
        self._batch: dict[tuple[int, int, int], Row] = {}
        self._noted = 0
        # On SQLite a look at the very key costs no round trip: most repeats carry the node's own clock.
        raw: Any = conn.connection.dbapi_connection
        self._probe = raw.execute if conn.dialect.name == "sqlite" else None

    def _waiting(self, row: Row) -> Row | None:
        for early in self._rows[self._noted :]:
            self._batch[early[_NODE], early[BOOT], early[SEQ]] = early
        self._noted = len(self._rows)
        return self._batch.get((row[_NODE], row[BOOT], row[SEQ]))

    def is_known(self, row: Row, holding: list[Run], *, goes_on: bool) -> bool:
        """Whether one of the runs that hold its number holds this very record."""
        if self._probe is not None and self._probe(_EXACT, row[:5]).fetchone() is not None:
            return True
        waiting = self._waiting(row)
        if waiting is not None and is_repeat(row, waiting[T], content_of(waiting), goes_on=goes_on):
            return True
        for run in holding:
            found = self._stored(row[_NODE], run).get(row[SEQ])
            if found is not None:
                if is_repeat(row, *found, goes_on=goes_on):
                    return True
            elif waiting is None and run.since - SAME_TIME_S <= row[T] <= run.until + SAME_TIME_S:
                return True  # archived, or it would be here
        return False

    def _stored(self, node_id: int, run: Run) -> Stored:
        key = (node_id, *run.key)
        if key not in self._runs:
            # Rows are found by (hour, node): seek hour by hour instead of reading every node's hours.
            hours = range(int(run.since // S_PER_H), int(run.until // S_PER_H) + 1)
            rows = self.conn.execute(_ONE_RUN, {"node_id": node_id, "boot": run.boot, "hours": list(hours)})
            found = {row[0]: (row[1], tuple(row[2:])) for row in rows if run.since <= row[1] <= run.until}
            if len(found) < run.count:
                columns = ("seq", "t", *CONTENT_COLUMNS)
                said = archived_run(self.conn, node_id, run.boot, since_s=run.since, until_s=run.until, columns=columns)
                for row in said:
                    found.setdefault(row[0], (row[1], tuple(row[2:])))
            self._runs[key] = found
        return self._runs[key]
