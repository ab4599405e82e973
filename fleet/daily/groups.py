"""Sums, extremes and lower medians of contiguous groups of rows; NaN where a group has no value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Groups:
    """Rows cut into groups that follow each other; none is empty."""

    starts: IntArray  # first row of each group
    of_row: IntArray  # group of each row

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.starts)

    def sizes(self) -> FloatArray:
        """Rows in each group."""
        return np.diff(self.starts, append=len(self.of_row)).astype(float)

    def count_where(self, chosen: BoolArray) -> FloatArray:
        """Rows of each group that are chosen."""
        return np.add.reduceat(chosen.view(np.uint8), self.starts, dtype=np.uint32).astype(float)

    def sum(self, values: FloatArray) -> FloatArray:
        """Sum of the values there are; NaN where a group has none."""
        total, count = self._total(values)
        return np.where(count > 0, total, np.nan)

    def _total(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Sum and number of the values there are."""
        there = np.isfinite(values)
        known = values if there.all() else np.where(there, values, 0.0)
        return np.asarray(np.add.reduceat(known, self.starts), dtype=float), self.count_where(there)

    def sum_where(self, values: FloatArray, chosen: BoolArray) -> FloatArray:
        """Sum of the chosen values, which must be finite; NaN where a group has none chosen."""
        total = np.asarray(np.add.reduceat(np.where(chosen, values, 0.0), self.starts), dtype=float)
        return np.where(self.count_where(chosen) > 0, total, np.nan)

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean of the values there are."""
        total, count = self._total(values)
        return np.asarray(np.divide(total, count, out=np.full(self.count, np.nan), where=count > 0), dtype=float)

    def min(self, values: FloatArray) -> FloatArray:
        """Least of the values there are."""
        return np.asarray(np.fmin.reduceat(values, self.starts), dtype=float)

    def max(self, values: FloatArray) -> FloatArray:
        """Greatest of the values there are."""
        return np.asarray(np.fmax.reduceat(values, self.starts), dtype=float)

    def first(self, values: NDArray[np.generic], chosen: BoolArray | None = None) -> tuple[IntArray, BoolArray]:
        """Row of each group's first chosen value, and whether there is one."""
        return self._edge(chosen, len(values), last=False)

    def last(self, values: NDArray[np.generic], chosen: BoolArray | None = None) -> tuple[IntArray, BoolArray]:
        """Row of each group's last chosen value, and whether there is one."""
        return self._edge(chosen, len(values), last=True)

    def _edge(self, chosen: BoolArray | None, n_rows: int, *, last: bool) -> tuple[IntArray, BoolArray]:
        rows = np.arange(n_rows)
        if chosen is None:
            chosen = np.ones(n_rows, dtype=bool)
        if last:
            row = np.maximum.reduceat(np.where(chosen, rows, -1), self.starts)
            return np.maximum(row, 0), row >= 0
        row = np.minimum.reduceat(np.where(chosen, rows, n_rows), self.starts)
        return np.minimum(row, n_rows - 1), row < n_rows

    def lower_median(self, values: FloatArray, *, per_unit: int, low: float, high: float) -> FloatArray:
        """Lower median of the values there are, to 1 / `per_unit`.

        Parameters
        ----------
        per_unit, low, high
            Values are kept to this fineness and inside these bounds, so that group and value fit one 64-bit number.

        Notes
        -----
        One sort of ``group << bits | value`` serves all groups; of an even count the lower middle one is given.
        """
        there = np.isfinite(values)
        count = self.count_where(there).astype(np.int64)
        if not count.any():
            return np.full(self.count, np.nan)
        whole_block = bool(there.all())  # the usual case; choosing rows costs as much as sorting them
        chosen, of_row = (values, self.of_row) if whole_block else (values[there], self.of_row[there])
        scaled = np.clip(chosen, low, high)
        scaled -= low
        scaled *= per_unit
        bits = int(np.ceil((high - low) * per_unit)).bit_length()
        packed = of_row << bits
        packed |= np.rint(scaled, out=scaled).astype(np.int64)
        packed.sort()
        start = np.cumsum(count) - count
        median = np.full(self.count, np.nan)
        some = count > 0
        picked = packed[(start + (count - 1) // 2)[some]]
        median[some] = ((picked & ((1 << bits) - 1)) + round(low * per_unit)) / per_unit
        return median


def groups_of(changes: BoolArray) -> Groups:
    """Groups from a mark at each row that begins one; the first row must be marked.

    >>> groups_of(np.array([True, False, True])).of_row
    array([0, 0, 1])
    """
    return Groups(starts=np.flatnonzero(changes), of_row=np.cumsum(changes) - 1)


def value_changes(*columns: NDArray[np.generic]) -> BoolArray:
    """Where any of the columns differs from the row before; the first row counts as a change.

    >>> value_changes(np.array([5, 5, 6]))
    array([ True, False,  True])
    """
    changes = np.zeros(len(columns[0]), dtype=bool)
    changes[:1] = True
    for column in columns:
        changes[1:] |= column[1:] != column[:-1]
    return changes
