"""Draws of the slow reading on a grid, held to everything the node told: samples, sleep means, lowest and highest."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cholesky_banded, solve_banded
from scipy.special import ndtri

from fleet.advice.cycles import Cycle
from fleet.advice.evidence import NodeEvidence
from fleet.advice.replay import Paths
from fleet.advice.spread import Spread

STRETCH = 6.0
EXTREME_LEAST = 0.7  # waves change less often than polls are taken
COARSE = 4  # cells between two values of the cycle that are worked out; straight lines between


def draw_paths(
    seen: NodeEvidence,
    cycle: Cycle,
    spread: Spread,
    *,
    window_s: tuple[float, float],
    step_s: float,
    draws_count: int,
    rng: np.random.Generator,
    noise_frac: float = 0.7,
) -> Paths:
    """Slow readings that could have been, given the records.

    Parameters
    ----------
    seen
        The node's records.
    cycle, spread
        Prior of the reading: cycle plus Ornstein-Uhlenbeck part.
    window_s
        First and last moment. [s]
    step_s
        Width of a cell. [s]
    noise_frac
        Share of the ripple that is new at each poll: the more, the farther its extreme lies from the slow reading.

    Notes
    -----
    Gaussian Markov field with a tridiagonal precision: prior of the wandering part plus one term for each sample and
    sleep mean; draws from its Cholesky factor. Each sleep is then stretched between its ends so that lowest and highest
    agree with what the node saw, less what ripple adds to an extreme.
    Source: Rue & Held, Gaussian Markov Random Fields, 2005, chapter 2.
    """
    count = int((window_s[1] - window_s[0]) / step_s) + 1
    grid = window_s[0] + step_s * np.arange(count)
    coarse = np.append(grid[::COARSE], grid[-1] + step_s)
    base = np.interp(grid, coarse, cycle.at(coarse))
    ripple_sd = max(spread.ripple_sd, 1e-6 * (spread.sd + 1e-9), 1e-9)
    weight, pull = _observed(seen, base, spread, start_s=window_s[0], step_s=step_s, count=count, ripple_sd=ripple_sd)
    x = base + _field(weight, pull, spread, step_s=step_s, draws_count=draws_count, rng=rng)
    alive = _alive_cells(seen, window_s[0], step_s, count)
    reach_sd = ripple_sd * float(np.clip(noise_frac, EXTREME_LEAST, 1.0))
    _stretch(x, seen, window_s[0], step_s, ripple_sd=ripple_sd, reach_sd=reach_sd)
    return Paths(x, window_s[0], step_s, alive)


def _observed(
    seen: NodeEvidence, base: np.ndarray, spread: Spread, *, start_s: float, step_s: float, count: int, ripple_sd: float
) -> tuple[np.ndarray, np.ndarray]:
    """Precision and precision times value that samples and sleep means add to each cell."""
    grid = start_s + step_s * np.arange(count)
    rate = 2.0 * spread.sd**2 / spread.tau_s  # variance that the wandering part gains each second
    ends = np.where(seen.is_band, 1.0, 0.0)
    inward = (
        np.where(seen.cause == 1, 1.0, -1.0) * ends * 2.0 * ripple_sd
    )  # a band wake reads on the outer side of the noise
    sample = seen.reading + inward - np.interp(seen.t, grid, base)
    variance = ripple_sd**2 * (1.0 + 80.0 * ends) + rate * step_s / 4.0
    middle_s = seen.t - seen.gap_s / 2.0
    whole = (
        (seen.asleep_n >= 3) & np.isfinite(seen.asleep_mean) & (seen.gap_s > 0) & (seen.gap_s < 6 * spread.tau_s + 1e5)
    )
    thirds = np.stack([seen.t - seen.gap_s * f for f in (0.1, 0.3, 0.5, 0.7, 0.9)])
    mean = _mean_without_wake(seen) - np.interp(thirds, grid, base).mean(axis=0)
    mean_variance = ripple_sd**2 / np.clip(seen.asleep_n, 1, 30) + rate * seen.gap_s / 12.0 + 1e-4 * ripple_sd**2
    t = np.concatenate([seen.t, middle_s])
    value = np.concatenate([sample, mean])
    variances = np.concatenate([variance, mean_variance])
    cell = np.floor((t - start_s) / step_s + 0.5)
    ok = np.isfinite(value) & np.concatenate([np.isfinite(seen.reading), whole]) & (cell >= 0) & (cell < count)
    index = cell[ok].astype(int)
    weight = np.bincount(index, 1.0 / variances[ok], minlength=count)
    return weight, np.bincount(index, value[ok] / variances[ok], minlength=count)


def _mean_without_wake(seen: NodeEvidence) -> np.ndarray:
    """Mean of each sleep less the poll that ended it: of all polls, that one was chosen for being far out."""
    extreme = np.where(seen.cause == 1, seen.asleep_min, seen.asleep_max)
    counted_in = seen.is_band & (np.abs(extreme - seen.reading) <= 1e-6 + 1e-6 * np.abs(seen.reading))
    rest = (seen.asleep_n * seen.asleep_mean - seen.reading) / np.maximum(seen.asleep_n - 1.0, 1.0)
    return np.where(counted_in & (seen.asleep_n >= 2), rest, seen.asleep_mean)


def _field(
    weight: np.ndarray, pull: np.ndarray, spread: Spread, *, step_s: float, draws_count: int, rng: np.random.Generator
) -> np.ndarray:
    """Draws of the wandering part. Shape (draws, cells)"""
    count = len(weight)
    phi = float(np.exp(-step_s / spread.tau_s))
    fresh = max(spread.sd**2 * -np.expm1(-2.0 * step_s / spread.tau_s), 1e-18)
    band = np.empty((2, count))
    band[0] = (1.0 + phi**2) / fresh
    band[0, 0] = band[0, -1] = 1.0 / fresh
    band[0] += weight
    band[1] = -phi / fresh
    lower = cholesky_banded(band, lower=True)
    upper = np.zeros_like(lower)
    upper[1] = lower[0]
    upper[0, 1:] = lower[1, :-1]
    half = solve_banded((1, 0), lower, pull)
    kicks = rng.standard_normal((count, draws_count)) + half[:, None]
    return np.ascontiguousarray(solve_banded((0, 1), upper, kicks).T)


def _alive_cells(seen: NodeEvidence, start_s: float, step_s: float, count: int) -> np.ndarray:
    """True for cells inside a gap through which the node is known to have run under the settings of now."""
    usable = seen.usable
    first = np.clip(np.ceil((seen.t - seen.gap_s - start_s) / step_s), 0, count).astype(int)[usable]
    last = np.clip(np.ceil((seen.t - start_s) / step_s), 0, count).astype(int)[usable]
    change = np.zeros(count + 1)
    np.add.at(change, first, 1.0)
    np.add.at(change, last, -1.0)
    return np.asarray(np.cumsum(change)[:-1] > 0.5)


def _stretch(
    x: np.ndarray, seen: NodeEvidence, start_s: float, step_s: float, *, ripple_sd: float, reach_sd: float
) -> None:
    """Stretch each sleep of every draw beyond its two ends so that its extremes are those the node saw."""
    count = x.shape[1]
    told = (seen.lost_count == 0) & (seen.asleep_n >= 3) & np.isfinite(seen.asleep_min) & np.isfinite(seen.asleep_max)
    first = np.ceil((seen.t - seen.gap_s - start_s) / step_s)
    last = np.floor((seen.t - start_s) / step_s)
    told &= (first >= 0) & (last < count) & (last - first >= 2)
    if not told.any():
        return
    first, last = first[told].astype(int), last[told].astype(int)
    size = last - first + 1
    cells = np.repeat(first - (np.cumsum(size) - size), size) + np.arange(size.sum())
    starts = np.cumsum(size) - size
    inner = x[:, cells]
    for sign, extreme in ((1.0, seen.asleep_max[told]), (-1.0, -seen.asleep_min[told])):
        value = sign * inner
        ends = np.maximum(value[:, starts], value[:, starts + size - 1])
        top = np.maximum.reduceat(value, starts, axis=1)
        near = np.add.reduceat(value > np.repeat(top - ripple_sd, size, axis=1), starts, axis=1) / size
        polls = np.maximum(seen.asleep_n[told] * near, 2.0)
        wanted = extreme - reach_sd * ndtri(1.0 - 0.5616 / polls)
        over = top - ends
        ratio = np.where(over > 1e-12, np.clip((wanted - ends) / np.maximum(over, 1e-12), 0.0, STRETCH), 1.0)
        level, scale = np.repeat(ends, size, axis=1), np.repeat(ratio, size, axis=1)
        value = np.where(value > level, level + (value - level) * scale, value)
        inner = sign * value
    x[:, cells] = inner
