"""Which sites to join in one round, by the odds of dying in between: greedy first, then improved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from reports.build_nodes import known
from reports.build_sites import cells_to_bring
from reports.model import NodeLine, RoundLine, SiteLine
from reports.odds import flat_by

FloatArray = npt.NDArray[np.float64]

HORIZON_W = 40
TRIP_COST = 1.0
STOP_COST = 0.25
FLAT_COST = 1.5
EARLY_COST_PER_W = 0.01
"""In trips: a stop at one more site, a node that goes flat before anyone comes, a week of a battery thrown away.
common practice, no source; what matters is their order."""
FAR_COST = 1e6
MAX_SITES = 60


@dataclass(frozen=True)
class _Need:
    """A site's expected flat nodes by week, and the cost of going there in each week."""

    site: SiteLine
    lines: list[NodeLine]
    flat: FloatArray
    cost: FloatArray


def plan_rounds(
    sites: list[SiteLine], lines: list[NodeLine], estimates: pd.DataFrame, *, as_of_day: date
) -> list[RoundLine]:
    """Visits already planned, and the rounds worth adding within the next forty weeks, soonest first.

    Notes
    -----
    A site with a planned visit needs another one only for nodes that may not reach it, and before it; one without
    needs one for every node at risk. Each such site starts with a round of its own in its cheapest week. Two rounds
    are joined while that saves most; then each site is tried in every other round until nothing saves. Roads and
    tides are not known here: a person decides.
    """
    needs = _needs(sites, lines, estimates)
    groups = _improved(_joined([[need] for need in needs]))
    added = [_round(_best_week(group), group, as_of_day) for group in groups]
    return sorted([*_planned(sites, needs, lines), *added], key=lambda one: (one.day, one.sites))


def _planned(sites: list[SiteLine], needs: list[_Need], lines: list[NodeLine]) -> list[RoundLine]:
    """Visits that people planned, joined by date; nodes that get a trip of their own are not served twice."""
    served = {line.node_id for need in needs for line in need.lines}
    by_day: dict[str, list[SiteLine]] = {}
    for site in sites:
        if site.next_visit.planned:
            by_day.setdefault(site.next_visit.day, []).append(site)
    out = []
    for day, here in by_day.items():
        names = {site.site for site in here}
        chances = [site.all_last_next for site in here if site.all_last_next is not None]
        out.append(
            RoundLine(
                day=day,
                planned=True,
                sites=sorted(names),
                flat_expected=float(known(sum(site.flat_expected for site in here)) or 0.0),
                all_last=known(np.prod(chances)) if chances else None,
                cells=cells_to_bring(line for line in lines if line.site in names and line.node_id not in served),
            )
        )
    return out


def _needs(sites: list[SiteLine], lines: list[NodeLine], estimates: pd.DataFrame) -> list[_Need]:
    rows = estimates.set_index("node_id", drop=False)
    ahead_d = np.arange(1, HORIZON_W + 1) * 7.0
    out = []
    for site in sorted(sites, key=lambda site: site.site):
        planned = site.next_visit.planned
        here = [
            line
            for line in lines
            if line.site == site.site and line.state in (("due",) if planned else ("due", "soon"))
        ]
        too_late = ahead_d >= site.next_visit.ahead_d if planned else np.zeros(HORIZON_W, dtype=bool)
        if not here or too_late.all():
            continue
        table = rows.loc[[line.node_id for line in here]].reset_index(drop=True)
        flat = np.nansum(flat_by(table, np.tile(ahead_d, (len(table), 1))), axis=0)
        early = EARLY_COST_PER_W * len(here) * np.maximum(0.0, HORIZON_W - np.arange(1, HORIZON_W + 1)) / 4
        cost = np.where(too_late, FAR_COST, STOP_COST + FLAT_COST * flat + early)
        out.append(_Need(site, here, flat, cost))
    out.sort(key=lambda need: float(need.cost.min()), reverse=True)
    return out[:MAX_SITES]


def _cost(group: list[_Need]) -> float:
    return TRIP_COST + float(np.sum([need.cost for need in group], axis=0).min()) if group else 0.0


def _best_week(group: list[_Need]) -> int:
    return int(np.sum([need.cost for need in group], axis=0).argmin()) + 1


def _joined(groups: list[list[_Need]]) -> list[list[_Need]]:
    """Join the pair that saves most until no pair saves."""
    costs = [_cost(group) for group in groups]
    while True:
        best, pair = 1e-9, None
        for first in range(len(groups)):
            for second in range(first + 1, len(groups)):
                saved = costs[first] + costs[second] - _cost(groups[first] + groups[second])
                if saved > best:
                    best, pair = saved, (first, second)
        if pair is None:
            return groups
        first, second = pair
        groups = [g for index, g in enumerate(groups) if index not in pair] + [groups[first] + groups[second]]
        costs = [_cost(group) for group in groups]


def _improved(groups: list[list[_Need]]) -> list[list[_Need]]:
    """Move single sites to another round, or to one of their own, while that saves."""
    moved = True
    while moved:
        moved = False
        for need in [need for group in groups for need in group]:
            source = next(group for group in groups if need in group)
            rest = [other for other in source if other is not need]
            options = [group for group in groups if group is not source] + [[]]
            gains = [_cost(source) + _cost(t) - _cost(rest) - _cost([*t, need]) for t in options]
            best = int(np.argmax(gains))
            if gains[best] > 1e-9:
                target = options[best]
                groups = [group for group in groups if group is not source and group is not target]
                groups += [group for group in (rest, [*target, need]) if group]
                moved = True
                break
    return groups


def _round(week: int, group: list[_Need], as_of_day: date) -> RoundLine:
    names = sorted(need.site.site for need in group)
    flat = float(sum(need.flat[week - 1] for need in group))
    return RoundLine(
        day=(as_of_day + timedelta(weeks=week)).isoformat(),
        planned=False,
        sites=names,
        flat_expected=float(known(flat) or 0.0),
        all_last=known(np.exp(-flat)),
        cells=cells_to_bring(line for need in group for line in need.lines),
    )
