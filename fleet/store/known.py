"""What the writer remembers between batches: node ids, settings seen, the newest record and the runs of each node."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, func, select, text

from fleet.messages import BandSettings
from fleet.store.arrived import ArrivedRecord
from fleet.store.runs import NodeRuns, Run
from fleet.store.tables import LATEST, NODES, SPANS

SettingsKey = tuple[Any, ...]

AT_ONCE = 500
"""Values of one IN list: few enough for every database."""
RUN_COLUMNS = ("run_boot", "run_first", "run_last", "run_since", "run_until")


@dataclass(slots=True)
class NodeState:
    """One node as the writer knows it; `newer` are this batch's records that were the newest when they came."""

    node_id: int
    runs: NodeRuns
    last_heard: float | None = None
    t: float | None = None
    given: BandSettings | None = None
    set_id: int | None = None
    newer: list[tuple[ArrivedRecord, int | None]] = field(default_factory=list)

    def heard(self, arrived: ArrivedRecord, set_id: int | None) -> None:
        """Follow a record that is new."""
        if self.last_heard is None or arrived.arrived > self.last_heard:
            self.last_heard = arrived.arrived
        if self.t is None or arrived.t >= self.t:
            self.t = arrived.t
            self.newer.append((arrived, set_id))


class Known:
    """Read from the database when needed; forgotten as a whole when a transaction fails or another process wrote."""

    def __init__(self) -> None:
        self.ids: dict[str, int] = {}
        self.states: dict[int, NodeState] = {}
        self.set_ids: dict[SettingsKey, int] = {}
        self.dirty: set[tuple[int, int]] = set()
        self.new_nodes: list[str] = []

    def forget_states(self) -> None:
        """Read the nodes' states anew when they are next needed."""
        self.states.clear()
        self.dirty.clear()

    def node_ids(self, conn: Connection, first_heard: dict[str, float]) -> None:
        """Look up every name, and keep those never heard before as unknown nodes."""
        wanted = {name: at for name, at in first_heard.items() if name not in self.ids}
        for name, node_id, heard in self._named(conn, wanted):
            self.ids[name] = node_id
            if heard is None:
                conn.execute(_FIRST_HEARD, {"id": node_id, "at": wanted[name]})
        self.new_nodes = [name for name in wanted if name not in self.ids]
        if self.new_nodes:
            conn.execute(_NEW_NODE, [{"node": name, "at": wanted[name]} for name in self.new_nodes])
            self.ids |= {name: node_id for name, node_id, _ in self._named(conn, self.new_nodes)}

    @staticmethod
    def _named(conn: Connection, names: Iterable[str]) -> list[tuple[str, int, float | None]]:
        found: list[tuple[str, int, float | None]] = []
        listed = list(names)
        for start in range(0, len(listed), AT_ONCE):
            query = select(NODES.c.node, NODES.c.node_id, NODES.c.first_heard)
            rows = conn.execute(query.where(NODES.c.node.in_(listed[start : start + AT_ONCE])))
            found += [(str(row[0]), int(row[1]), row[2]) for row in rows]
        return found

    def load_states(self, conn: Connection, node_ids: Iterable[int], *, lock: bool) -> None:
        """Newest record and growing run of nodes that are not in memory."""
        wanted = sorted(node_id for node_id in set(node_ids) if node_id not in self.states)
        for start in range(0, len(wanted), AT_ONCE):
            part = wanted[start : start + AT_ONCE]
            if lock:
                conn.execute(
                    select(NODES.c.node_id).where(NODES.c.node_id.in_(part)).order_by("node_id").with_for_update()
                )
            for row in conn.execute(_LATEST.where(LATEST.c.node_id.in_(part))):
                self._keep(conn, row)
        for node_id in wanted:
            if node_id not in self.states:
                self.states[node_id] = NodeState(node_id, NodeRuns(None, -1, _loader(conn, node_id), alone=True))

    def _keep(self, conn: Connection, row: Any) -> None:
        node_id, last_heard, t, boot, first, last, since, until, top = row
        growing = None if boot is None else Run(boot, first, last, since, until)
        known = -1 if growing is None else max(growing.last, -1 if top is None else int(top))
        runs = NodeRuns(growing, known, _loader(conn, node_id), alone=top is None)
        self.states[node_id] = NodeState(node_id, runs, last_heard, t)

    def set_id(self, conn: Connection, node_id: int, given: BandSettings, at: float) -> int:
        """Row of these settings, made when the node first reports them."""
        values = (given.rev, given.lo, given.hi, given.hyst, given.sleep_s, given.period_ms, given.avg, given.digest)
        key = (node_id, *values)
        found = self.set_ids.get(key)
        if found is None:
            named = dict(zip(_SET_NAMES, values, strict=True)) | {"node_id": node_id, "at": at}
            for row in conn.execute(_SETTINGS_OF, {"node_id": node_id}):
                self.set_ids[(node_id, *row[1:])] = int(row[0])
            found = self.set_ids.get(key)
            if found is None:
                found = int(conn.execute(_NEW_SETTINGS, named).scalar_one())
                self.set_ids[key] = found
        return found


def _loader(conn: Connection, node_id: int) -> Callable[[int], list[Run]]:
    raw: Any = conn.connection.dbapi_connection
    sql = _SPANS[conn.dialect.name]

    def load(boot: int) -> list[Run]:
        # Past SQLAlchemy, for a node with a fresh hole asks this in every batch.
        rows = raw.execute(sql, (node_id, boot)).fetchall()
        return [Run(boot, first, last, since, until) for since, first, last, until in rows]

    return load


_SET_NAMES = ("rev", "lo", "hi", "hyst", "sleep_s", "period_ms", "avg", "digest")
_NEW_NODE = text("INSERT INTO nodes (node, first_heard) VALUES (:node, :at) ON CONFLICT (node) DO NOTHING")
_FIRST_HEARD = text("UPDATE nodes SET first_heard = :at WHERE node_id = :id")
_SETTINGS_OF = text(
    "SELECT set_id, rev, lo, hi, hyst, sleep_s, period_ms, avg, digest FROM settings WHERE node_id = :node_id"
)
_NEW_SETTINGS = text(
    "INSERT INTO settings (node_id, rev, lo, hi, hyst, sleep_s, period_ms, avg, digest, first_at)"
    " VALUES (:node_id, :rev, :lo, :hi, :hyst, :sleep_s, :period_ms, :avg, :digest, :at) RETURNING set_id"
)
_TOP = (
    select(func.max(SPANS.c.last_seq))
    .where(SPANS.c.node_id == LATEST.c.node_id, SPANS.c.boot == LATEST.c.run_boot)
    .scalar_subquery()
)
_LATEST = select(LATEST.c.node_id, LATEST.c.last_heard, LATEST.c.t, *(LATEST.c[name] for name in RUN_COLUMNS), _TOP)
_SPANS = {
    "sqlite": "SELECT since, first_seq, last_seq, last_t FROM spans WHERE node_id = ? AND boot = ?",
    "postgresql": "SELECT since, first_seq, last_seq, last_t FROM spans WHERE node_id = %s AND boot = %s",
}
