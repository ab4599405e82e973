"""The histogram that a node's `asleep` summary carries now and then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.demo.creek import rng_of
from fleet.demo.nodes import Stretch
from fleet.demo.world import World
from fleet.units import S_PER_MIN

IntArray = NDArray[np.int64]
STEP_V = 0.02
BINS_LIMIT = 40


@dataclass(frozen=True)
class Hist:
    """Counts of polls by reading; below `lo` in the first bin, above the last edge in the last."""

    lo: float
    step: float
    n: tuple[int, ...]


def hists_of(world: World, stretch: Stretch) -> dict[int, Hist]:
    """Histogram of each wake that carries one, by its place in the stretch."""
    spec, wakes = world.spec, stretch.wakes
    if not spec.hist_every_count or spec.profile.coprocessor is None:
        return {}
    rng = rng_of(world.seed, spec.node, 31, stretch.begun.stretch)
    poll_sd = spec.ripple.poll_sd(stretch.begun.settings.avg or 1)
    chosen = np.flatnonzero((wakes.seq % spec.hist_every_count == 0) & wakes.arrives)
    begun_s = stretch.begun.last_wake_s or stretch.begun.at_s
    from_s = np.concatenate([[begun_s], wakes.t_s])[chosen]
    per_min = S_PER_MIN * 1000.0 / (stretch.begun.settings.period_ms or 100.0)
    first = np.clip(((from_s - world.since_s) / S_PER_MIN).astype(np.int64), 0, world.minutes - 1)
    last = np.clip(((wakes.t_s[chosen] - world.since_s) / S_PER_MIN).astype(np.int64), 0, world.minutes - 1)
    found = {}
    for place, begin, end in zip(chosen.tolist(), first.tolist(), last.tolist(), strict=True):
        level = world.sensed_v[begin : max(end, begin + 1)]
        found[place] = _hist(np.repeat(level, 4) + poll_sd * rng.standard_normal(4 * len(level)), per_min / 4)
    return found


def _hist(values: NDArray[np.float64], weight: float) -> Hist:
    low = float(np.floor(values.min() / STEP_V))
    bins = np.minimum((values / STEP_V - low).astype(np.int64), BINS_LIMIT - 1)
    counts = np.round(np.bincount(bins) * weight).astype(np.int64)
    return Hist(round(low * STEP_V, 4), STEP_V, tuple(counts.tolist()))
