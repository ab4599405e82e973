"""The store read once per change, for page and terminal alike: the report's model and what each node told last."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from fleet import __version__
from fleet.settings import Settings
from fleet.units import S_PER_D
from reports.dates import local_day, week_of, zone_of
from reports.model import NodeLine, ReportModel, SiteLine

if TYPE_CHECKING:
    from fleet.jobs.deployment import Deployment
    from fleet.store.engine import Store
    from reports.found import Found

STALE_D = 2.0
"""An analysis older than this is greyed: the nightly one is overdue."""
STATE_RANK = {"due": 0, "soon": 1, "unsure": 2, "holds": 3}


@dataclass(frozen=True)
class NodeNow:
    """What one node told last, and the state of its newest order. None is not known."""

    heard: float | None = None
    cause: str | None = None
    batt_mv: float | None = None
    need: float | None = None
    order: str | None = None
    told: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class LiveModel:
    """One consistent look: `report` as the weekly report would say it, `now` by node_id, `mark` changes with both."""

    report: ReportModel
    now: Mapping[int, NodeNow]
    mark: str
    analysed: float | None
    last_heard: float | None
    deployment: Deployment
    unknown: tuple[str, ...] = ()
    drawn: dict[int, Any] = field(default_factory=dict)
    """Charts of nodes already drawn from this report; carried on as long as it stands."""

    def node(self, name: str) -> NodeLine | None:
        """The line of a node by its name."""
        return next((line for line in self.report.nodes if line.node == name), None)

    def site_of(self, line: NodeLine) -> SiteLine:
        """The site of a line."""
        return next(site for site in self.report.sites if site.site == line.site)

    def heard(self, line: NodeLine) -> float | None:
        """When a node was last heard."""
        found = self.now.get(line.node_id)
        return line.last_heard if found is None or found.heard is None else found.heard


def by_need(model: LiveModel) -> list[NodeLine]:
    """Nodes in the order in which a person should look at them."""

    def key(line: NodeLine) -> tuple[Any, ...]:
        need = model.now.get(line.node_id, NodeNow()).need or 0.0
        p10 = float("inf") if line.days_left_p10 is None else line.days_left_p10
        return STATE_RANK[line.state], p10, -need, line.site, line.node

    return sorted(model.report.nodes, key=key)


def is_stale(model: LiveModel, now_s: float) -> bool:
    """Whether the analysis is overdue."""
    return model.analysed is None or now_s - model.analysed > STALE_D * S_PER_D


def age_text(then_s: float | None, now_s: float) -> str:
    """How long ago, in the largest unit that fits; a dash where not known.

    >>> [age_text(t, 100_000.0) for t in (None, 99_990.0, 99_000.0, 90_000.0, 0.0)]
    ['–', '10 s', '16 min', '2 h', '27 h']
    """
    if then_s is None:
        return "–"
    age_s = max(0.0, now_s - then_s)
    for limit, unit_s, unit in ((90, 1, "s"), (5400, 60, "min"), (172_800, 3600, "h"), (5.2e6, 86_400, "d")):
        if age_s < limit:
            return f"{int(age_s // unit_s)} {unit}"
    return f"{int(age_s // 604_800)} weeks"


class LiveReader:
    """Holds the last look and reads again only what changed; may be asked from several threads."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self.store = store
        self.settings = settings
        self._lock = threading.Lock()
        self._slow = ""
        self._last: LiveModel | None = None

    def look(self) -> LiveModel:
        """The present look, read again if the store changed.

        Raises
        ------
        StoreError
            If the database can't be read.
        """
        from fleet.jobs.opened import follow_played
        from fleet.store.for_live import change_marks

        with self._lock:
            follow_played(self.settings, self.store)
            slow, mark = change_marks(self.store)
            if self._last is not None and self._last.mark == mark:
                return self._last
            if self._last is None or slow != self._slow:
                report, deployment, analysed = read_report(self.store, self.settings)
                now = read_now(self.store)
            else:
                report, deployment, analysed = self._last.report, self._last.deployment, self._last.analysed
                now = read_now(self.store, self._last)
            heard = [one.heard for one in now.values() if one.heard is not None]
            self._slow = slow
            nodes = deployment.nodes
            unknown = tuple(str(name) for name in nodes.loc[~nodes["known"].astype(bool), "node"])
            drawn = self._last.drawn if self._last is not None and self._last.report is report else {}
            self._last = LiveModel(report, now, mark, analysed, max(heard, default=None), deployment, unknown, drawn)
            return self._last


def read_report(store: Store, settings: Settings) -> tuple[ReportModel, Deployment, float | None]:
    """The model of the last analysis; before the first one, the nodes without any estimate."""
    from fleet.clock import present_s
    from fleet.jobs.nightly import read_deployment
    from fleet.store.findings import last_analysis
    from reports.build import build_report
    from reports.make import settings_digest
    from reports.reads import read_found

    deployment = read_deployment(store, settings.setup_dir)
    analysed = last_analysis(store)
    as_of = present_s() if analysed is None else analysed
    found = _unjudged(deployment) if analysed is None else read_found(store, deployment, as_of)
    report = build_report(
        found,
        week=week_of(local_day(as_of, zone_of(settings.report.timezone))),
        now_at=datetime.fromtimestamp(as_of, UTC),
        title=settings.report.title,
        timezone=settings.report.timezone,
        settings_digest=settings_digest(settings),
        version=__version__,
    )
    return report, deployment, analysed


def _unjudged(deployment: Deployment) -> Found:
    from reports.found import Found
    from reports.reads import with_cells

    return Found(nodes=with_cells(deployment), events=deployment.events)


def read_now(store: Store, before: LiveModel | None = None) -> dict[int, NodeNow]:
    """What each node told last, with the state of its newest order; beside an earlier look, only the newly heard."""
    from fleet.store.for_live import newest_order_states, newest_told
    from fleet.words import Cause

    since_s = None if before is None else before.last_heard
    orders = newest_order_states(store)
    now = {} if before is None or since_s is None else dict(before.now)
    for told in newest_told(store, since_s):
        node_id, cause = int(told["node_id"]), told["cause"]
        now[node_id] = NodeNow(
            heard=told["last_heard"],
            cause=None if cause is None else Cause(int(cause)).word,
            batt_mv=told["batt_mv"],
            need=told["need"],
            order=orders.get(node_id),
            told=told,
        )
    return now
