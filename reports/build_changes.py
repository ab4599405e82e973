"""What changed since the week before: moves between states and their cause, orders, forecasts and what happened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fleet.units import S_PER_D
from fleet.words import EventKind, Flag, OrderState
from reports.build_nodes import known, state_of
from reports.build_visits import day_ahead
from reports.by_node import rows_of
from reports.dates import local_day, zone_of
from reports.found import Found
from reports.model import Change, NodeLine, OrderLine, VisitDay
from reports.odds import FloatArray, flat_by

WEEK_S = 7 * S_PER_D
STEP_RATIO = 1.25
ENDED = (OrderState.IN_FORCE, OrderState.REFUSED, OrderState.LAPSED, OrderState.PUT_BACK, OrderState.LOST)


def change_lines(
    found: Found,
    lines: list[NodeLine],
    visits: Mapping[str, tuple[VisitDay, VisitDay]],
    zones: Mapping[str, str],
    as_of: float,
) -> list[Change]:
    """Nodes whose state is another than the estimates of the week before gave for the same two dates."""
    before = found.before.set_index("node_id", drop=False)
    now = [line for line in lines if line.node_id in before.index]
    if not now:
        return []
    table = before.loc[[line.node_id for line in now]].reset_index(drop=True)
    passed_d = (as_of - table["as_of"].to_numpy(float)) / S_PER_D
    ahead_d = np.array([[visit.ahead_d for visit in visits[line.site]] for line in now]) + passed_d[:, None]
    lasted = 1 - flat_by(table, ahead_d)
    swapped = _told(found.events, EventKind.SWAP, as_of)
    changes = []
    for line, row, shares in zip(now, rows_of(table), lasted, strict=True):
        was = state_of(known(shares[0]), known(shares[1]))
        if was != line.state:
            p50 = known(row["days_left_p50"])
            day = (
                None if p50 is None else day_ahead(float(row["as_of"]), min(p50, 3650.0), zones[line.site]).isoformat()
            )
            changes.append(
                Change(
                    node=line.node,
                    site=line.site,
                    before=was,
                    now=line.state,
                    cause=_cause(line, row, swapped),
                    p50_before_day=day,
                    p50_now_day=line.day_p50,
                )
            )
    return changes


def _cause(line: NodeLine, before: dict[str, Any], swapped: set[int]) -> str:
    """The likeliest cause of the move, as a catalogue key; the first that applies."""
    flags = {flag.flag for flag in line.flags}
    if line.node_id in swapped or Flag.SWAP_SEEN in flags:
        return "swapped"
    if line.state == "unsure":
        return "silent" if Flag.GONE_QUIET in flags else "no_estimate"
    if known(before["days_left_p50"]) is None:
        return "estimate_now"
    was, now = known(before["wakes_per_day"]), line.wakes_per_day
    if was and now and now > was * STEP_RATIO:
        return "wakes_more"
    if was and now and now * STEP_RATIO < was:
        return "wakes_less"
    for flag in (Flag.COLD_RISK, Flag.SLEEP_LEAK, Flag.RADIO_STRUGGLE, Flag.WEAK_CELL, Flag.DRAINS_FAST):
        if flag in flags:
            return flag.value
    return "estimate_moved"


def _told(events: pd.DataFrame, kind: EventKind, as_of: float) -> set[int]:
    week = events[(events["what"] == kind.value) & (events["at"] <= as_of) & (events["at"] > as_of - WEEK_S)]
    return {int(node_id) for node_id in week["node_id"].dropna()}


def order_lines(found: Found, lines: list[NodeLine], zones: Mapping[str, str], as_of: float) -> list[OrderLine]:
    """Orders that ended, well or not, within the week."""
    by_id = {line.node_id: line for line in lines}
    out = []
    for row in rows_of(found.orders):
        at, line = known(row["state_at"], 12), by_id.get(int(row["node_id"]))
        if line is None or at is None or row["state"] not in ENDED or not as_of - WEEK_S < at <= as_of:
            continue
        rev = known(row["rev"])
        day = local_day(at, zone_of(zones[line.site])).isoformat()
        out.append(OrderLine(node=line.node, state=str(row["state"]), day=day, rev=None if rev is None else int(rev)))
    return sorted(out, key=lambda order: (order.day, order.node))


@dataclass(frozen=True)
class WeekForecast:
    """How many nodes should have gone flat since the analysis of the week before (P10 to P90), and how many did."""

    expected: float | None = None
    low: int | None = None
    high: int | None = None
    seen: int | None = None


def forecast_against_seen(found: Found, lines: list[NodeLine], as_of: float) -> WeekForecast:
    """The week before's forecast of the nodes it had heard in its week, and which of those are silent and flat now."""
    if not len(found.before):
        return WeekForecast()
    since = float(found.before["as_of"].max())
    passed_d = (as_of - since) / S_PER_D
    heard = found.before[found.before["last_heard"] > since - WEEK_S].reset_index(drop=True)
    flat = flat_by(heard, np.full(len(heard), passed_d))
    flat = flat[np.isfinite(flat)]
    quiet = [line for line in lines if line.silent_since_day is not None and (line.charge_left or 0.0) < 0.1]
    gone = [line for line in quiet if line.last_heard is not None and line.last_heard > since - WEEK_S]
    low, high = count_range(flat)
    return WeekForecast(known(flat.sum()), low, high, len(gone))


def count_range(chance: FloatArray) -> tuple[int, int]:
    """P10 and P90 of how many of independent events come true.

    One event of even odds is 0 or 1; of two that are nearly sure, both come true:

    >>> count_range(np.array([0.5])), count_range(np.array([0.99, 0.99]))
    ((0, 1), (2, 2))
    """
    share = np.ones(1)
    for one in chance:
        share = np.convolve(share, (1 - one, one))
    below = np.cumsum(share)
    return int(np.searchsorted(below, 0.1 - 1e-12)), int(np.searchsorted(below, 0.9 - 1e-12))
