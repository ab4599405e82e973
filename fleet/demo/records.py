"""What a node tells of its wakes: the columns of the RECORD frame, the coprocessor's summary included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fleet.demo.creek import rng_of
from fleet.demo.hist import Hist, hists_of
from fleet.demo.nodes import RESETS, Stretch
from fleet.demo.spec import FaultKind, Parts
from fleet.demo.world import World
from fleet.units import MS_PER_S, S_PER_D, S_PER_H, S_PER_MIN
from fleet.words import Cause, TimeFrom

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Columns = dict[str, NDArray[np.generic]]
BELIEVED_S = 300.0  # a clock further than this from the arrival is not believed
SYNC_SD_S = 0.6  # of a healthy node's clock
READING_DIGITS = 3


@dataclass(frozen=True)
class Told:
    """Records of one stretch in the order of the wakes; `carrier` groups those that travel in one message."""

    columns: Columns
    carrier: IntArray
    hists: dict[int, Hist]  # by row


def told(world: World, parts: Parts, stretch: Stretch) -> Told:
    """The records that arrive."""
    wakes, spec = stretch.wakes, world.spec
    rng = rng_of(world.seed, spec.node, 30, stretch.begun.stretch)
    keep = np.flatnonzero(wakes.arrives)
    clock_t = clock_of(world, wakes.t_s, wakes.t_s - wakes.boot_at_s, rng)
    step_mv = spec.profile.measure.step_mv or 1.0
    measured = (1 + parts.gain_frac) / step_mv
    before = {name: _before(stretch, column) for column, name in enumerate(("awake_ms", "radio_ms", "tries", "tx_mv"))}
    asleep = asleep_of(world, stretch, rng)
    late_s = np.where(wakes.late_s > 0, np.round(wakes.late_s, 1), np.nan)
    columns: Columns = {
        "clock_t": clock_t,
        "arrived": np.round(wakes.arrived_s, 3),
        "boot": wakes.boot,
        "seq": wakes.seq,
        "cause": wakes.cause.astype(np.int8),
        "up_s": np.round(wakes.t_s - wakes.boot_at_s, 1),
        "late_s": late_s,
        "reading": wakes.reading,
        "batt_mv": np.round(wakes.rest_mv * measured) * step_mv,
        "batt_tx_mv": np.round(before["tx_mv"] * measured) * step_mv,
        "awake_ms": before["awake_ms"],
        "radio_ms": before["radio_ms"],
        "tries": before["tries"],
        "rssi_dbm": wakes.rssi_dbm,
        "temp_c": np.round(wakes.temp_c + 0.2 * rng.standard_normal(len(wakes)), 1),
        "life_wakes": wakes.life_wakes.astype(float),
        **asleep,
    }
    t, time_from = believed(clock_t, wakes.arrived_s, late_s)
    columns |= {"t": t, "time_from": time_from}
    row_of = {place: row for row, place in enumerate(keep.tolist())}
    hists = {row_of[place]: hist for place, hist in hists_of(world, stretch).items()}
    return Told({name: values[keep] for name, values in columns.items()}, wakes.carrier[keep], hists)


def believed(clock_t: FloatArray, arrived: FloatArray, late_s: FloatArray) -> tuple[FloatArray, NDArray[np.int8]]:
    """Time of each record and where it came from, best first, as the wire contract says."""
    by_arrival = arrived - np.nan_to_num(late_s)
    good = np.abs(by_arrival - clock_t) <= BELIEVED_S
    fallback = np.where(np.isnan(late_s), int(TimeFrom.ARRIVAL), int(TimeFrom.ARRIVAL_LESS_LATE))
    return np.where(good, clock_t, by_arrival), np.where(good, int(TimeFrom.CLOCK), fallback).astype(np.int8)


def clock_of(world: World, t_s: FloatArray, up_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """The node's own clock at each wake, with its faults; NaN where it is not set. [s]"""
    spec = world.spec
    clock = t_s + SYNC_SD_S * rng.standard_normal(len(t_s))
    for kind, unit_s in ((FaultKind.CLOCK_JUMP, 1.0), (FaultKind.CLOCK_ZONE, S_PER_H)):
        clock = clock + unit_s * spec.amount(kind) * spec.since(kind, t_s, world.since_s)
    drift = spec.fault(FaultKind.CLOCK_DRIFT)
    if drift:
        clock = clock + drift.amount / 1e6 * np.maximum(t_s - world.since_s - drift.onset_d * S_PER_D, 0.0)
    unset = spec.since(FaultKind.CLOCK_UNSET, t_s, world.since_s)
    return np.where(unset, np.nan, np.round(clock, 1))


def asleep_of(world: World, stretch: Stretch, rng: np.random.Generator) -> Columns:
    """Runs, count, lowest, highest, mean and spread of the banded reading since the wake before."""
    wakes, settings = stretch.wakes, stretch.begun.settings
    count = len(wakes)
    if world.spec.profile.coprocessor is None or count == 0:
        empty = np.full(count, np.nan)
        return dict.fromkeys(("runs", "asleep_n", "asleep_min", "asleep_max", "asleep_mean", "asleep_sd"), empty)
    begun_s = stretch.begun.last_wake_s or stretch.begun.at_s
    gap_s = np.diff(np.concatenate([[begun_s], wakes.t_s]))
    runs = np.maximum(np.round(gap_s * MS_PER_S / (settings.period_ms or 100.0)), 1.0)
    slow_low, slow_high, mean, slow_var = _minutes(world, wakes.t_s - gap_s, wakes.t_s)
    stuck = world.is_stuck(wakes.t_s)
    poll_sd = np.where(stuck, 0.0, world.spec.ripple.poll_sd(settings.avg or 1))
    n_free = 1 + 0.15 * gap_s / (world.spec.ripple.wave_s / 3)
    low = slow_low + poll_sd * ndtri(1 - rng.random(count) ** (1 / n_free))
    high = slow_high + poll_sd * ndtri(rng.random(count) ** (1 / n_free))
    low, high = _clipped(low, high, slow_low, slow_high, stretch)
    values: Columns = {"runs": runs, "asleep_n": runs}
    named = (("min", low), ("max", high), ("mean", mean), ("sd", np.sqrt(slow_var + poll_sd**2)))
    return values | {f"asleep_{name}": np.round(value, READING_DIGITS + 1) for name, value in named}


def _clipped(
    low: FloatArray, high: FloatArray, slow_low: FloatArray, slow_high: FloatArray, stretch: Stretch
) -> tuple[FloatArray, FloatArray]:
    """No extreme outside the band that did not wake the node; the one that did is the extreme."""
    wakes, settings = stretch.wakes, stretch.begun.settings
    if settings.lo is None or settings.hi is None:
        return low, high
    low = np.where(slow_low >= settings.lo, np.maximum(low, settings.lo), low)
    high = np.where(slow_high <= settings.hi, np.minimum(high, settings.hi), high)
    low = np.where(wakes.cause == Cause.BAND_LOW, np.minimum(low, wakes.reading), low)
    high = np.where(wakes.cause == Cause.BAND_HIGH, np.maximum(high, wakes.reading), high)
    return np.minimum(low, slow_low), np.maximum(high, slow_high)


def _minutes(
    world: World, from_s: FloatArray, to_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Lowest, highest, mean and variance of the slow level over each stretch of minutes."""
    level = world.sensed_v
    last = world.minutes - 1
    first = np.clip(((from_s - world.since_s) / S_PER_MIN).astype(np.int64), 0, last)
    end = np.clip(((to_s - world.since_s) / S_PER_MIN).astype(np.int64), 0, last) + 1
    bounds = np.column_stack([first, np.minimum(end, last)]).ravel()
    low = np.minimum(np.minimum.reduceat(level, bounds)[::2], level[end - 1])
    high = np.maximum(np.maximum.reduceat(level, bounds)[::2], level[end - 1])
    begin = int(first[0])
    shifted = level[begin : int(end.max())] - level[begin]  # small numbers keep the difference of squares exact
    sums, squares = (np.concatenate([[0.0], np.cumsum(values)]) for values in (shifted, shifted**2))
    n = end - first
    mean, square = (sums[end - begin] - sums[first - begin]) / n, (squares[end - begin] - squares[first - begin]) / n
    return low, high, mean + level[begin], np.maximum(square - mean**2, 0.0)


def _before(stretch: Stretch, column: int) -> FloatArray:
    """What the wake before did; not known after a cold start."""
    wakes = stretch.wakes
    values = (wakes.awake_ms, wakes.radio_ms, wakes.tries, wakes.tx_mv)[column]
    shifted = np.concatenate([[stretch.begun.last_ran[column]], values])[: len(wakes)].astype(float)
    return np.where(np.isin(wakes.cause, RESETS), np.nan, shifted)
