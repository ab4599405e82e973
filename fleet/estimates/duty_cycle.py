"""Share of time awake over a window: a ratio of sums with a 90 % interval that holds when records are lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from fleet.daily.grid import DayGrid
from fleet.daily.groups import FloatArray
from fleet.estimates.awake_time import AwakeTime
from fleet.estimates.profile_table import ProfileTable
from fleet.units import S_PER_D

CONFIDENCE = 0.90
ALIVE_INTERVALS = 3.0  # silence of up to so many usual intervals before `as_of` is ordinary waiting
HIDDEN_FRAC, HIDDEN_SD = 0.5, 0.3  # of the wakes that a cold start may hide


@dataclass(frozen=True)
class DutyCycle:
    """Shape (n_nodes,); NaN for a node that was never heard in the window."""

    duty_frac: FloatArray
    lo: FloatArray
    hi: FloatArray
    elapsed_s: FloatArray  # time that the ratio rests on
    awake_s: FloatArray


def ratio_of_sums(part: FloatArray, whole: FloatArray) -> tuple[float, float]:
    """Ratio of two sums and its linearised standard error.

    Parameters
    ----------
    part, whole
        One value a stretch of time, such as time awake and time elapsed. Shape (n,)

    Notes
    -----
    The mean of the ratios would give a short stretch the weight of a long one. With one stretch the error is not known.
    Source: textbook result of survey sampling (ratio estimator), from memory.

    Examples
    --------
    10 s of 100 s and 1 s of 1000 s are 11 s of 1100 s; the mean of the ratios would say 0.0505:

    >>> ratio_of_sums(np.array([10.0, 1.0]), np.array([100.0, 1000.0]))[0]
    0.01
    """
    ratio = float(part.sum() / whole.sum())
    n = len(part)
    if n < 2:
        return ratio, float("nan")
    residual = part - ratio * whole
    return ratio, float(np.sqrt(n / (n - 1) * (residual**2).sum()) / whole.sum())


def duty_cycle(
    grid: DayGrid, awake: AwakeTime, table: ProfileTable, *, since_s: FloatArray | float, as_of_s: float
) -> DutyCycle:
    """Share of time that each node's main processor was awake between two moments.

    Parameters
    ----------
    grid
        Day rows up to `as_of_s`, from the day of `since_s` on.
    since_s
        Begin of the window, one or one a node. [s since 1970 UTC]
    as_of_s
        End of the window. [s since 1970 UTC]

    Notes
    -----
    Time runs from the later of `since_s` and the node's first record to `as_of_s`, or, where the node has fallen
    silent, to one usual interval after its last record. Counts come from counters, so a clock that went wrong moves
    wakes between days but not out of the window. The interval holds what no record tells: the length of wakes
    without a description, a day's own level of length, wakes at both ends, wakes hidden by a cold start.
    """
    inside = _inside_frac(grid, since_s, as_of_s)
    hidden = grid.uncounted_wakes * inside
    length_s = awake.length_s.mean(axis=1)
    total = (awake.awake_s * inside).sum(axis=1) + HIDDEN_FRAC * hidden.sum(axis=1) * length_s
    elapsed, tail_wakes = _elapsed_s(grid, inside, since_s, as_of_s)
    total += tail_wakes * length_s
    heard = (grid.has_row & (inside > 0)).any(axis=1) & (elapsed > 0)
    duty = np.divide(total, elapsed, out=np.full(len(total), np.nan), where=heard)
    sd_s = _sd_s(awake, table, inside, (hidden.sum(axis=1) * length_s * HIDDEN_SD + tail_wakes * length_s, total))
    freedom = np.clip(awake.described_count.sum(axis=1) - 1.0, 4.0, 1e6)
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, freedom)
    relative = np.divide(sd_s, total, out=np.zeros_like(total), where=total > 0)
    low, high = duty * np.exp(-reach * relative), duty * np.exp(reach * relative)
    return DutyCycle(np.minimum(duty, 1.0), np.minimum(low, 1.0), np.minimum(high, 1.0), elapsed, total)


def _inside_frac(grid: DayGrid, since_s: FloatArray | float, as_of_s: float) -> FloatArray:
    """Share of each day's records that fall into the window: only the days of its ends are cut."""
    start = grid.day * S_PER_D
    since = np.broadcast_to(np.asarray(since_s, dtype=float), grid.node_id.shape)[:, None]
    first = np.where(grid.has_row, grid["first_t"], start)
    first = np.where(grid.covered_s > 0, np.minimum(first, start + S_PER_D - grid.covered_s), first)
    last = np.maximum(np.where(grid.has_row, grid["last_t"], start + S_PER_D), first + grid.covered_s)
    width = np.maximum(last - first, 1.0)
    return np.asarray(np.clip((np.minimum(last, as_of_s) - np.maximum(first, since)) / width, 0.0, 1.0), dtype=float)


def _elapsed_s(
    grid: DayGrid, inside: FloatArray, since_s: FloatArray | float, as_of_s: float
) -> tuple[FloatArray, FloatArray]:
    """Time that the window's wakes stand for, and the wakes that may have been lost since the last record."""
    first = np.nan_to_num(grid["first_t"], nan=np.inf).min(axis=1, initial=np.inf)
    last = np.nan_to_num(grid["last_t"], nan=-np.inf).max(axis=1, initial=-np.inf)
    heard = np.isfinite(last)
    # Covered time before the first row of the grid tells of a record before it.
    began_before = grid.covered_s.sum(axis=1) > np.where(heard, last - np.where(heard, first, 0.0), 0.0) + 1.0
    begin = np.where(began_before, grid.day[0] * S_PER_D if len(grid.day) else 0.0, first)
    begin = np.maximum(begin, since_s)
    wakes = np.maximum((grid.wakes * inside).sum(axis=1), 1.0)
    interval = np.maximum(np.where(heard, last - begin, 0.0), 0.0) / wakes
    silent = as_of_s - last > ALIVE_INTERVALS * interval + 60.0
    end = np.where(silent, np.minimum(last + interval, as_of_s), as_of_s)
    loss = (grid.missing * inside).sum(axis=1) / wakes
    waited = np.divide(as_of_s - last, interval, out=np.zeros(len(last)), where=heard & (interval > 0) & ~silent)
    tail_wakes = np.minimum(3.0 * loss, 1.0) * np.maximum(waited - 1.0, 0.0)
    return np.where(heard, np.maximum(end - begin, 0.0), 0.0), tail_wakes


def _sd_s(awake: AwakeTime, table: ProfileTable, inside: FloatArray, sums: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Standard deviation of the time awake in the window."""
    hidden_s, total = sums
    random = (awake.random_var_s2 * inside**2).sum(axis=1)
    share = np.divide(
        (awake.awake_s * inside).sum(axis=1),
        awake.awake_s.sum(axis=1),
        out=np.zeros(len(total)),
        where=awake.awake_s.sum(axis=1) > 0,
    )
    # The wake that the first record tells of is outside, that of the last not told; and both ends cut an interval.
    ends = 2.0 * awake.length_sd_s**2 + awake.length_s.mean(axis=1) ** 2 / 6.0
    length = np.hypot(table.wake_length_s.sd[:, 0], table.radio_length_s.sd)
    whole = table.wake_length_s.mean[:, 0] + table.radio_length_s.mean
    by_profile = awake.by_profile * np.divide(length, whole, out=np.zeros_like(whole), where=whole > 0) * total
    variance = random + (awake.shared_sd_s * share) ** 2 + ends + hidden_s**2 + np.nan_to_num(by_profile) ** 2
    return np.asarray(np.sqrt(variance), dtype=float)
