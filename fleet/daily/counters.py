"""Counters that wrap, start again or were wiped: which records follow each other, and how many lie between them."""

from __future__ import annotations

import numpy as np

from fleet.daily.groups import BoolArray, FloatArray, IntArray, value_changes
from fleet.words import RESET_CAUSES

MODULI = np.array([1 << 16, 1 << 24, 1 << 32], dtype=np.int64)
DISORDER_COUNT = 16  # a step back by no more than this is a record that came to the wrong place in time
WRAP_SLACK_COUNT = 256  # wakes that may be missing at a wrap, whatever the time between
UP_SLACK_S = 60.0
WAKES_PER_S_MOST = 1.0  # no node wakes its main processor more often for long


def modulus_of(seq: IntArray) -> IntArray:
    """What a counter that stands here wraps at: 16, 24 or 32 bit.

    >>> modulus_of(np.array([65_535, 65_536]))
    array([   65536, 16777216])
    """
    return MODULI[np.minimum(np.searchsorted(MODULI, seq, side="right"), len(MODULI) - 1)]


def is_wrap(
    before: IntArray, after: IntArray, dt_s: FloatArray, up_before: FloatArray, up_after: FloatArray
) -> BoolArray:
    """Whether a fall of a counter is a wrap rather than a fresh start.

    Parameters
    ----------
    before, after
        Counter at the two records, `after` below `before`.
    dt_s
        Time between them. [s]
    up_before, up_after
        Time since the cold start at both, NaN if not sent; a fresh start sets it back, a wrap does not. [s]
    """
    between = modulus_of(before) - before + after
    near_edge = between <= np.maximum(WRAP_SLACK_COUNT, WAKES_PER_S_MOST * dt_s)
    # 1024: a fall from a low number is never a wrap, however long the silence.
    plausible = near_edge & (modulus_of(before) - before < np.maximum(before, 1024))
    told = np.isfinite(up_before) & np.isfinite(up_after)
    return np.where(told, plausible & (up_after >= up_before), plausible)


def runs(columns: dict[str, np.ndarray], same_boot: BoolArray) -> tuple[BoolArray, IntArray]:
    """Where a run of one counter begins, and the counter without its wraps.

    Parameters
    ----------
    columns
        `t`, `seq`, `cause`, `up_s` in order of time within each node, day and boot.
    same_boot
        Whether the row before is of the same node, day and boot.

    Returns
    -------
    Mark at the first row of each run, and `seq` plus what its wraps took away.
    """
    seq = columns["seq"].astype(np.int64)
    begins = ~same_boot
    if len(seq) < 2:
        return begins, seq
    before, after, up_s, t = seq[:-1], seq[1:], columns["up_s"], columns["t"]
    falls = np.flatnonzero(same_boot[1:] & (after < before))
    added = np.zeros(len(seq), dtype=np.int64)
    if falls.size:
        low, high = before[falls], after[falls]
        dt_s = t[falls + 1] - t[falls]
        wraps = is_wrap(low, high, dt_s, up_s[falls], up_s[falls + 1])
        reset = np.isin(columns["cause"][falls + 1], RESET_CAUSES) & (high == 0)
        wraps &= ~reset
        first_of_boot = np.maximum.accumulate(np.where(begins, np.arange(len(seq)), 0))[falls]
        fresh = ~wraps & (reset | _starts_again((low, high), dt_s, up_s[falls + 1], below=high < seq[first_of_boot]))
        begins[falls[fresh] + 1] = True
        added[falls[wraps] + 1] = modulus_of(low[wraps])
    total = np.cumsum(added)
    start = np.maximum.accumulate(np.where(begins, np.arange(len(seq)), 0))
    return begins, seq + total - total[start]


def _starts_again(
    fall: tuple[IntArray, IntArray], dt_s: FloatArray, up_after: FloatArray, *, below: BoolArray
) -> BoolArray:
    """Whether a fall of a counter is a fresh start rather than a record that came late without a clock.

    A node that has been up for longer than since the record before did not start in between; nor did one whose counter
    is higher than it can have come since, unless it is lower than all before (`below`).
    """
    before, after = fall
    reachable = after <= DISORDER_COUNT + WAKES_PER_S_MOST * dt_s
    by_count = (before - after > DISORDER_COUNT) & (reachable | below)
    return np.where(np.isfinite(up_after), (up_after <= dt_s + UP_SLACK_S) | by_count & below, by_count)


def missing_in_runs(unwrapped: IntArray, t: FloatArray, run_starts: IntArray, first_of_day: BoolArray) -> FloatArray:
    """Wakes without a record in each run, and before it back to its cold start where that lies in the day.

    Parameters
    ----------
    run_starts
        First row of each run; rows are in order of time within a run.
    first_of_day
        Whether the run is the first of its node-day: what it missed before belongs to the gap between days.
    """
    low = np.minimum.reduceat(unwrapped, run_starts)
    high = np.maximum.reduceat(unwrapped, run_starts)
    run_of_row = np.zeros(len(unwrapped), dtype=np.int64)
    run_of_row[run_starts] = 1
    run_of_row = np.cumsum(run_of_row) - 1
    # A late record can stand out of place in time, so different counters are counted, not rows.
    order = (
        np.lexsort((unwrapped, run_of_row)) if np.any((np.diff(unwrapped) <= 0) & (np.diff(run_of_row) == 0)) else None
    )
    ordered = unwrapped if order is None else unwrapped[order]
    distinct = np.add.reduceat(value_changes(run_of_row, ordered).astype(np.int64), run_starts)
    inside = high - low + 1 - distinct
    ends = np.append(run_starts[1:], len(unwrapped)) - 1
    since_s = np.append(np.inf, t[run_starts[1:]] - t[ends[:-1]])
    possible = low <= DISORDER_COUNT + WAKES_PER_S_MOST * since_s
    before = np.where(first_of_day | ~possible | (since_s < 0), 0, low)
    return np.asarray(inside + before, dtype=float)
