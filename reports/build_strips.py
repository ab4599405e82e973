"""Calendar strips of the nodes that wake most: by hour where records are at hand, by day elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from fleet.words import BAND_CAUSES, RESET_CAUSES, Cause, Flag
from reports.by_node import parts_by_node
from reports.dates import local_day, zone_of
from reports.model import NodeLine, Strip

STRIP_D = 70
STRIPS = 12
GROUPS = ("band_low", "band_high", "timer", "reset", "other")
EPOCH = date(1970, 1, 1)


def group_of(cause: int) -> str:
    """The cause group that the strip shows."""
    found = Cause(cause)
    if found in BAND_CAUSES or found is Cause.TIMER:
        return found.word
    return "reset" if found in RESET_CAUSES else "other"


def who_wakes_often(lines: list[NodeLine]) -> list[NodeLine]:
    """At most twelve nodes: flagged first, then by how far above the site's median they are."""
    flagged = {line.node_id for line in lines if any(flag.flag == Flag.WAKES_OFTEN for flag in line.flags)}
    busy = [line for line in lines if line.node_id in flagged or (line.wakes_ratio or 0.0) >= 2.0]
    busy.sort(key=lambda line: (line.node_id not in flagged, -(line.wakes_ratio or 0.0), line.node))
    return busy[:STRIPS]


def strip_lines(
    lines: list[NodeLine], days: pd.DataFrame, records: pd.DataFrame, zones: Mapping[str, str], as_of: float
) -> list[Strip]:
    """One strip a node that wakes too often."""
    day_rows = dict(parts_by_node(days))
    wakes = dict(parts_by_node(records))
    return [
        strip_of(line, day_rows.get(line.node_id), wakes.get(line.node_id), zones[line.site], as_of)
        for line in who_wakes_often(lines)
    ]


def strip_of(line: NodeLine, days: pd.DataFrame | None, records: pd.DataFrame | None, zone: str, as_of: float) -> Strip:
    """The strip of one node, from its wakes where they are at hand, else from its day rows."""
    last = local_day(as_of, zone_of(zone))
    first = last - timedelta(days=STRIP_D - 1)
    cells = _by_hour(records, zone, first) if records is not None else _by_day(days, first)
    return Strip(
        node=line.node,
        site=line.site,
        first_day=first.isoformat(),
        days=STRIP_D,
        cells=cells,
        silent=_silent({cell[0] for cell in cells}),
        by_hour=records is not None,
    )


def _silent(days_seen: set[int]) -> list[int]:
    """Days without a record, once the first one came and today left out."""
    if not days_seen:
        return list(range(STRIP_D - 1))
    return [day for day in range(min(days_seen), STRIP_D - 1) if day not in days_seen]


def _by_hour(records: pd.DataFrame, zone: str, first: date) -> list[tuple[int, int, str, int]]:
    local = pd.to_datetime(records["t"], unit="s", utc=True).dt.tz_convert(zone_of(zone))
    day = (local.dt.tz_localize(None).dt.normalize() - pd.Timestamp(first)).dt.days.to_numpy()
    groups = records["cause"].map({int(cause): group_of(int(cause)) for cause in Cause}).to_numpy()
    table = pd.DataFrame({"day": day, "hour": local.dt.hour.to_numpy(), "group": groups})
    table = table[(table["day"] >= 0) & (table["day"] < STRIP_D)]
    return _counted(table.groupby(["day", "hour", "group"]).size())


def _by_day(days: pd.DataFrame | None, first: date) -> list[tuple[int, int, str, int]]:
    if days is None:
        return []
    table = days[["day"]].copy()
    table["day"] -= (first - EPOCH).days
    for cause in Cause:
        group, seen = group_of(int(cause)), np.nan_to_num(days[f"n_{cause.word}"].to_numpy(float))
        table[group] = table.get(group, 0) + seen
    table = table[(table["day"] >= 0) & (table["day"] < STRIP_D)]
    long = table.melt("day", var_name="group", value_name="count")
    long["hour"] = -1
    return _counted(long[long["count"] > 0].set_index(["day", "hour", "group"])["count"])


def _counted(counts: pd.Series[Any]) -> list[tuple[int, int, str, int]]:
    rows = [(int(key[0]), int(key[1]), str(key[2]), int(count)) for key, count in counts.items()]  # type: ignore[index]  # a three-level index
    return sorted(rows, key=lambda row: (row[0], row[1], GROUPS.index(row[2])))
