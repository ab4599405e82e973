"""Site lines: whether all nodes last to the visit, what moving it costs or saves, which cells to bring."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import date, timedelta

import numpy as np
import pandas as pd

from reports.build_nodes import known
from reports.model import PARTS, STATES, MovedDate, NodeLine, SiteLine, VisitDay
from reports.odds import all_last_frac, flat_by

MOVES_W = (-4, -2, 0, 2, 4, 8)


def site_lines(
    lines: list[NodeLine],
    estimates: pd.DataFrame,
    visits: Mapping[str, tuple[VisitDay, VisitDay]],
    zones: Mapping[str, str],
) -> list[SiteLine]:
    """One line a site, the least certain to last first."""
    by_site: dict[str, list[NodeLine]] = {}
    for line in lines:
        by_site.setdefault(line.site, []).append(line)
    known_nodes = estimates.set_index("node_id", drop=False)
    out = [_site(site, here, known_nodes, visits[site], zones[site]) for site, here in by_site.items()]
    return sorted(out, key=lambda line: (line.all_last_next if line.all_last_next is not None else 2.0, line.site))


def _site(
    site: str, here: list[NodeLine], estimates: pd.DataFrame, visits: tuple[VisitDay, VisitDay], zone: str
) -> SiteLine:
    ids = [line.node_id for line in here if line.node_id in estimates.index]
    table = estimates.loc[ids].reset_index(drop=True)
    first, after = visits
    moves = [weeks for weeks in MOVES_W if first.ahead_d + 7 * weeks > 0]
    ahead_d = np.array([first.ahead_d + 7 * weeks for weeks in moves] + [after.ahead_d])
    flat = flat_by(table, np.tile(ahead_d, (len(table), 1)))
    all_last = all_last_frac(flat) if np.isfinite(flat).any() else np.full(len(ahead_d), np.nan)
    expected = np.nansum(flat, axis=0)
    day = date.fromisoformat(first.day)
    moved = [
        MovedDate(
            day=(day + timedelta(weeks=weeks)).isoformat(),
            weeks=weeks,
            all_last=known(all_last[index], 9),
            flat_expected=float(known(expected[index]) or 0.0),
        )
        for index, weeks in enumerate(moves)
    ]
    at_next = moves.index(0)
    return SiteLine(
        site=site,
        timezone=zone,
        node_count=len(here),
        by_state=count_states(here),
        next_visit=first,
        visit_after=after,
        all_last_next=known(all_last[at_next], 9),
        all_last_after=known(all_last[-1], 9),
        flat_expected=float(known(expected[at_next]) or 0.0),
        moved=moved,
        bring=cells_to_bring(here),
        wakes_median=_median([line.wakes_per_day for line in here]),
        parts_median={part: _median([line.parts[part] for line in here]) for part in PARTS},
    )


def count_states(lines: Iterable[NodeLine]) -> dict[str, int]:
    """How many nodes are in each state, zero included."""
    found = Counter(line.state for line in lines)
    return {state: found[state] for state in STATES}


def cells_to_bring(lines: Iterable[NodeLine]) -> dict[str, int]:
    """Cells by type for every node that may not last to the visit after the next."""
    wanted: Counter[str] = Counter()
    for line in lines:
        if line.state in ("due", "soon"):
            wanted[line.chemistry] += line.cells
    return dict(sorted(wanted.items()))


def _median(values: Iterable[float | None]) -> float | None:
    told = [value for value in values if value is not None]
    return known(np.median(told)) if told else None
