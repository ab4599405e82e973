"""Day rows as (nodes × days) arrays for the estimators: what was seen, what is missing, what time was covered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fleet.daily.gaps import DayGaps, day_gaps
from fleet.daily.groups import FloatArray, IntArray
from fleet.units import S_PER_D

SPREAD = ("covered_s", "gap_missing", "uncounted_s", "uncounted_wakes", "follows")
Table = Mapping[str, np.ndarray] | pd.DataFrame


@dataclass(frozen=True)
class DayGrid:
    """Day rows of some nodes over a span of days. ``grid["batt_mv"]`` is that column, NaN where a node-day has no row.

    All arrays have shape (n_nodes, n_days).
    """

    node_id: IntArray  # shape (n_nodes,)
    day: IntArray  # days since 1970 UTC, without holes, shape (n_days,)
    row: IntArray  # day row of each node-day, -1 where there is none
    columns: Mapping[str, np.ndarray]
    covered_s: FloatArray  # time of the day between the node's first and last record ever (in the rows given)
    gap_missing: FloatArray  # wakes without a record that fall to the gaps between day rows, shared out by time
    uncounted_s: FloatArray  # covered time whose wakes are not known: before a cold start, without a lifetime count
    uncounted_wakes: FloatArray  # wakes that time would hold at the node's usual pace, beyond those known
    follows: FloatArray  # 1 where the day's first record follows right on the last one before: it describes that wake

    def __getitem__(self, name: str) -> FloatArray:
        values = np.asarray(self.columns[name], dtype=float)
        if not len(values):
            return np.full(self.row.shape, np.nan)
        return np.where(self.row >= 0, values[np.maximum(self.row, 0)], np.nan)

    def known(self, name: str) -> FloatArray:
        """The column with 0 where nothing is known: for sums whose counts stand beside them."""
        return np.nan_to_num(self[name])

    @property
    def has_row(self) -> np.ndarray:
        """Whether the node was heard on that day."""
        return self.row >= 0

    @property
    def seen(self) -> FloatArray:
        """Records of the day; 0 where there are none."""
        return self.known("seen")

    @property
    def missing(self) -> FloatArray:
        """Wakes without a record, inside the day and in its share of the gaps around it."""
        return self.known("missing") + self.gap_missing

    @property
    def wakes(self) -> FloatArray:
        """Wakes of the day, seen and missing; a silent day between two records has its share."""
        return self.seen + self.missing


def day_grid(
    days: Table,
    node_ids: Sequence[int] | np.ndarray | None = None,
    *,
    first_day: int | None = None,
    last_day: int | None = None,
) -> DayGrid:
    """Day rows as a grid.

    Parameters
    ----------
    days
        DAY columns. Rows before `first_day` tell of the gap into it: give one row more if there is one.
    node_ids
        Nodes, in the order wanted; all in the rows if not given. A node without rows has an empty line.
    first_day, last_day
        Span of days, both included; that of the rows if not given. [days since 1970 UTC]

    Notes
    -----
    Wakes missing between two day rows are spread evenly over the time between the records around them.
    """
    columns = {str(name): np.asarray(values) for name, values in days.items()}
    node, day = columns["node_id"].astype(np.int64), columns["day"].astype(np.int64)
    key = node << 32 | day
    if np.any(key[1:] <= key[:-1]):
        order = np.argsort(key, kind="stable")
        columns = {name: values[order] for name, values in columns.items()}
        node, day = node[order], day[order]
    ids = np.unique(node) if node_ids is None else np.asarray(node_ids, dtype=np.int64)
    line = _line_of(node, ids)
    if np.any(line < 0):
        wanted = line >= 0
        columns = {name: values[wanted] for name, values in columns.items()}
        node, day, line = node[wanted], day[wanted], line[wanted]
    low = int(day.min()) if first_day is None and len(day) else int(first_day or 0)
    high = int(day.max()) if last_day is None and len(day) else int(last_day if last_day is not None else low - 1)
    span = np.arange(low, high + 1)
    row = np.full((len(ids), len(span)), -1, dtype=np.int64)
    inside = (day >= low) & (day <= high)
    row[line[inside], day[inside] - low] = np.flatnonzero(inside)
    spread = _spread(columns, line, low, row.shape) if len(node) else {name: np.zeros(row.shape) for name in SPREAD}
    return DayGrid(ids, span, row, columns, **spread)


def _line_of(node: IntArray, ids: IntArray) -> IntArray:
    """Line of each row in the grid, -1 for nodes not asked for."""
    if not len(ids):
        return np.full(len(node), -1)
    order = np.argsort(ids, kind="stable")
    place = np.minimum(np.searchsorted(ids[order], node), len(ids) - 1)
    return np.where(ids[order][place] == node, order[place], -1)


def _spread(
    columns: Mapping[str, np.ndarray], line: IntArray, low: int, shape: tuple[int, ...]
) -> dict[str, FloatArray]:
    """Time inside days and between them, and what is missing there, shared out over the days."""
    grids = {name: np.zeros(shape) for name in SPREAD}
    gaps = day_gaps(columns)
    day = columns["day"].astype(np.int64)
    first_t, last_t = columns["first_t"].astype(float), columns["last_t"].astype(float)
    _add(grids["covered_s"], line, day - low, last_t - first_t)
    rows = np.flatnonzero(gaps.has_before)
    begins_t, ends_t = last_t[rows - 1], np.maximum(first_t[rows], last_t[rows - 1])
    n_days = day[rows] - day[rows - 1] + 1
    of_gap = np.repeat(np.arange(len(rows)), n_days)
    at_day = np.arange(len(of_gap)) - np.repeat(np.cumsum(n_days) - n_days, n_days) + day[rows - 1][of_gap]
    from_t = np.maximum(begins_t[of_gap], at_day * S_PER_D)
    until_t = np.minimum(ends_t[of_gap], (at_day + 1) * S_PER_D)
    time_s = np.maximum(until_t - from_t, 0.0)
    whole_s = np.maximum(ends_t - begins_t, 1e-9)[of_gap]
    lines, places = line[rows][of_gap], at_day - low
    _add(grids["covered_s"], lines, places, time_s)
    _add(grids["gap_missing"], lines, places, gaps.missing[rows][of_gap] * time_s / whole_s)
    _add(grids["uncounted_s"], lines, places, np.where(gaps.counted[rows][of_gap], 0.0, time_s))
    _add(grids["follows"], line[rows], day[rows] - low, (gaps.counted[rows] & (gaps.missing[rows] == 0)).astype(float))
    uncounted = _uncounted_wakes(columns, line, gaps)[rows]
    _add(grids["uncounted_wakes"], lines, places, uncounted[of_gap] * time_s / whole_s)
    return grids


def _uncounted_wakes(columns: Mapping[str, np.ndarray], line: IntArray, gaps: DayGaps) -> FloatArray:
    """Wakes that may have been in each gap beyond those known, had the node kept its usual pace."""
    known = columns["seen"].astype(float) + columns["missing"].astype(float) + np.nan_to_num(gaps.missing)
    time_s = columns["last_t"].astype(float) - columns["first_t"].astype(float)
    time_s += np.where(gaps.counted, np.nan_to_num(gaps.silence_s), 0.0)
    wakes, covered = (np.bincount(line, weights=values) for values in (known, time_s))
    pace = np.divide(wakes, covered, out=np.zeros(len(wakes)), where=covered > 0)[line]
    expected = np.nan_to_num(gaps.silence_s) * pace - np.nan_to_num(gaps.missing) - 1.0
    return np.where(gaps.has_before & ~gaps.counted, np.maximum(expected, 0.0), 0.0)


def _add(grid: FloatArray, lines: IntArray, places: IntArray, values: FloatArray) -> None:
    inside = (places >= 0) & (places < grid.shape[1])
    np.add.at(grid, (lines[inside], places[inside]), values[inside])
