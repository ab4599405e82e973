"""When a node wakes and why: band, timer, pin and resets merged into one line of wakes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.demo.polls import Firmware, band_wakes
from fleet.demo.spec import FaultKind, NodeSpec, Parts
from fleet.demo.world import World
from fleet.messages import BandSettings
from fleet.units import MS_PER_S, S_PER_D, S_PER_MIN
from fleet.words import Cause

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
WATCHDOG_FRAC = 0.4  # of the resets of a crash loop


@dataclass(frozen=True)
class Timeline:
    """Wakes in order: moment, cause, and the reading that broke the band (NaN for other causes)."""

    t_s: FloatArray
    cause: IntArray
    reading: FloatArray

    def with_more(self, t_s: FloatArray, cause: IntArray) -> Timeline:
        """The same line with more wakes in it, none of the band's."""
        times = np.concatenate([self.t_s, t_s])
        order = np.argsort(times, kind="stable")
        reading = np.concatenate([self.reading, np.full(len(t_s), np.nan)])
        return Timeline(times[order], np.concatenate([self.cause, cause])[order], reading[order])


def firmware_of(spec: NodeSpec, parts: Parts) -> Firmware:
    """How the node's band wakes it; no band wake falls into a wake."""
    coprocessor = spec.profile.coprocessor
    holdoff_s = (coprocessor.holdoff_s if coprocessor else None) or 0.0
    awake_s = (parts.awake_ms + parts.radio_ms) / MS_PER_S
    return Firmware(rearm=coprocessor.rearm if coprocessor else "edge", deaf_s=max(holdoff_s, awake_s))


def timeline(
    world: World,
    parts: Parts,
    settings: BandSettings,
    span_s: tuple[float, float],
    *,
    timer_from_s: float | None,
    rng: np.random.Generator,
) -> Timeline:
    """Wakes of one node in [from, to) under these settings, brown-outs left out.

    The timer runs since `timer_from_s`, the last wake before; None is a cold start at the beginning of the span.
    """
    bands = _bands(world, parts, settings, span_s, rng)
    extra = [bands, *_faults(world, span_s, rng)]
    if timer_from_s is None:
        extra.append(_of(np.array([span_s[0]]), Cause.POWER_ON))
    first = _merged(extra)
    begin_s = span_s[0] if timer_from_s is None else timer_from_s
    timers = _timers(first.t_s, (begin_s, span_s[1]), settings.sleep_s or S_PER_D)
    return _merged([first, _of(timers, Cause.TIMER)])


def _of(t_s: FloatArray, cause: Cause) -> Timeline:
    return Timeline(t_s, np.full(len(t_s), int(cause), dtype=np.int64), np.full(len(t_s), np.nan))


def _merged(lines: list[Timeline]) -> Timeline:
    t_s = np.concatenate([line.t_s for line in lines])
    order = np.argsort(t_s, kind="stable")
    cause = np.concatenate([line.cause for line in lines])
    return Timeline(t_s[order], cause[order], np.concatenate([line.reading for line in lines])[order])


def _bands(
    world: World, parts: Parts, settings: BandSettings, span_s: tuple[float, float], rng: np.random.Generator
) -> Timeline:
    spec = world.spec
    if spec.profile.coprocessor is None:
        return _of(np.zeros(0), Cause.BAND_LOW)
    first = max(0, int((span_s[0] - world.since_s) // S_PER_MIN))
    last = min(world.minutes, int(np.ceil((span_s[1] - world.since_s) / S_PER_MIN)) + 1)
    begins_s = world.since_s + S_PER_MIN * first
    firmware = firmware_of(spec, parts)
    found = band_wakes(world.sensed_v[first:last], begins_s, settings, spec.ripple, firmware=firmware, rng=rng)
    stuck = world.is_stuck(found.t_s) & (found.t_s > world.since_s + S_PER_D * _stuck_d(spec))
    keep = (found.t_s >= span_s[0]) & (found.t_s < span_s[1]) & ~(stuck & (firmware.rearm == "edge"))
    cause = np.where(found.is_high, int(Cause.BAND_HIGH), int(Cause.BAND_LOW))
    return Timeline(found.t_s[keep], cause[keep], found.reading[keep])


def _stuck_d(spec: NodeSpec) -> float:
    fault = spec.fault(FaultKind.STUCK_READING)
    return fault.onset_d + S_PER_MIN * 2 / S_PER_D if fault else 0.0


def _faults(world: World, span_s: tuple[float, float], rng: np.random.Generator) -> list[Timeline]:
    """Wakes that faults add at random moments: floating pin, crashes, watchdog resets."""
    lines = []
    for kind, causes in (
        (FaultKind.FLOATING_PIN, ((Cause.PIN, 1.0),)),
        (FaultKind.CRASH_LOOP, ((Cause.CRASH, 1 - WATCHDOG_FRAC), (Cause.WATCHDOG, WATCHDOG_FRAC))),
    ):
        fault = world.spec.fault(kind)
        if fault is None:
            continue
        from_s = max(span_s[0], world.since_s + fault.onset_d * S_PER_D)
        for cause, share in causes:
            mean_count = max(0.0, span_s[1] - from_s) / S_PER_D * fault.amount * share
            count = rng.poisson(mean_count)
            lines.append(_of(np.sort(rng.uniform(from_s, max(from_s, span_s[1]), count)), cause))
    return lines


def _timers(t_s: FloatArray, span_s: tuple[float, float], sleep_s: float) -> FloatArray:
    """The timer starts anew with every wake, and runs out when nothing else woke the node before.

    >>> _timers(np.array([100.0, 130.0]), (0.0, 200.0), 50.0)
    array([ 50., 180.])
    """
    begins = np.concatenate([[span_s[0]], t_s])
    ends = np.concatenate([t_s, [span_s[1]]])
    count = np.maximum(np.ceil((ends - begins) / sleep_s).astype(np.int64) - 1, 0)
    which = np.repeat(np.arange(len(begins)), count)
    number = np.arange(len(which)) - (np.cumsum(count) - count)[which] + 1
    return np.asarray(begins[which] + number * sleep_s, dtype=float)
