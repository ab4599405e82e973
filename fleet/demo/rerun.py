"""The truth of an advice: the same world under other settings, and which real events the node would have told in time.

A real event is a stretch of at least the profile's `event_s` in which the slow level (without waves and noise) lies
outside the band that the node's own spec names. It is seen if a wake falls between its start and `late_s` after it,
whatever the cause of that wake, because every wake tells the reading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from fleet.demo.creek import rng_of
from fleet.demo.drain import drain_of
from fleet.demo.nodes import fresh_cell, wake_mc
from fleet.demo.spec import Parts
from fleet.demo.timeline import timeline
from fleet.demo.world import World
from fleet.messages import BandSettings
from fleet.units import MC_PER_MAH, S_PER_D, S_PER_MIN
from fleet.words import Cause

FloatArray = NDArray[np.float64]
USUAL_EVENT_S = 1800.0
USUAL_LATE_S = 300.0
TRIES_RADIO_FACTOR = 1.04  # mean of links.TRIES_MEAN_EXTRA × TRY_FRAC, plus 1


@dataclass(frozen=True, kw_only=True)
class Rerun:
    """What would have happened."""

    wakes_per_day: float
    wakes_per_day_by_cause: dict[str, float]
    drain_mah_per_day: float
    events_count: int
    events_seen: float  # share; NaN without events
    wake_s: FloatArray
    event_s: FloatArray  # start of each real event


def rerun_node(
    world: World, parts: Parts, settings: BandSettings, span_d: tuple[float, float], *, rerun_seed: int = 0
) -> Rerun:
    """One node's wakes in a span of days under other settings; other waves, same tide, surge and weather."""
    span_s = (world.since_s + span_d[0] * S_PER_D, world.since_s + span_d[1] * S_PER_D)
    rng = rng_of(world.seed, world.spec.node, 40, rerun_seed)
    line = timeline(world, parts, settings, span_s, timer_from_s=span_s[0], rng=rng)
    days = span_d[1] - span_d[0]
    counts = np.bincount(line.cause, minlength=len(Cause)) / days
    begins_s, _ = real_events(world, span_s)
    late_s = world.spec.profile.banded.late_s if world.spec.profile.banded else None
    seen = events_seen(begins_s, line.t_s, late_s or USUAL_LATE_S)
    drain = drain_of(world, parts, settings, fresh_cell(world, 0))
    burst_ms = parts.radio_ms * TRIES_RADIO_FACTOR
    burst_mah = float(wake_mc(parts, parts.awake_ms + burst_ms, burst_ms)) / MC_PER_MAH
    base_mah = float(drain.between_mah(span_s[0], span_s[1]))
    return Rerun(
        wakes_per_day=float(counts.sum()),
        wakes_per_day_by_cause={cause.word: float(counts[cause]) for cause in Cause if counts[cause]},
        drain_mah_per_day=base_mah / days + float(counts.sum()) * burst_mah,
        events_count=len(begins_s),
        events_seen=float(seen.mean()) if len(begins_s) else float("nan"),
        wake_s=line.t_s,
        event_s=begins_s,
    )


def real_events(world: World, span_s: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Start and end of each stretch of the slow level outside the spec's own band, long enough to matter. [s]"""
    settings, banded = world.spec.settings, world.spec.profile.banded
    least_s = (banded.event_s if banded else None) or USUAL_EVENT_S
    lo, hi = settings.lo, settings.hi
    if lo is None or hi is None:
        return np.zeros(0), np.zeros(0)
    level = world.sensed_v
    out = np.concatenate([[False], (level < lo) | (level > hi), [False]])
    edges = np.flatnonzero(out[1:] != out[:-1]).reshape(-1, 2)
    begins_s, ends_s = world.since_s + S_PER_MIN * edges.T
    keep = (ends_s - begins_s >= least_s) & (begins_s >= span_s[0]) & (begins_s < span_s[1])
    return begins_s[keep], ends_s[keep]


def events_seen(begins_s: FloatArray, wake_s: FloatArray, late_s: float) -> NDArray[np.bool_]:
    """True for each event with a wake from its start to `late_s` after it.

    >>> events_seen(np.array([1000.0, 5000.0]), np.array([1100.0, 9000.0]), 300.0)
    array([ True, False])
    """
    first = np.searchsorted(wake_s, begins_s)
    padded = np.concatenate([wake_s, [np.inf]])
    return np.asarray(padded[first] <= begins_s + late_s)


def other(settings: BandSettings, **changes: float | int) -> BandSettings:
    """The same settings with some changed.

    >>> other(BandSettings(lo=0.7, hi=1.5), hyst=0.1).hyst
    0.1
    """
    return structs.replace(settings, **changes)
