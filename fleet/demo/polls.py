"""What a coprocessor does with a reading: every poll near a threshold, none where the outcome is certain.

Far from every threshold (more than `SURE_SD` standard deviations of wave and noise together) one look a minute tells
as much as 600 polls, so a half year of 100 ms polls costs about a second of computing instead of a minute and a half.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from fleet.messages import BandSettings
from fleet.units import MS_PER_S, S_PER_MIN

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
SURE_SD = 4.5
CHUNK_POLLS = 3_000_000


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """What rides on the minute-by-minute level: waves (correlated) and the noise of one reading (not)."""

    wave_sd: float = 0.008
    wave_s: float = 15.0
    noise_sd: float = 0.006

    def poll_sd(self, avg: int) -> float:
        """Standard deviation of one averaged poll about the slow level."""
        return float(np.hypot(self.wave_sd, self.noise_sd / np.sqrt(avg)))


@dataclass(frozen=True, kw_only=True)
class Firmware:
    """How the band wakes the main processor."""

    rearm: str = "edge"
    deaf_s: float = 0.0  # no band wake for so long after one: the hold-off, or the length of a wake


@dataclass(frozen=True)
class Crossings:
    """Band wakes: when, whether through the upper edge, and the averaged reading that did it."""

    t_s: FloatArray
    is_high: BoolArray
    reading: FloatArray


@dataclass(frozen=True)
class _Runs:
    """Stretches outside the band: last re-arming poll before, first and last poll outside, reading of the first."""

    armed_s: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    reading: FloatArray


def band_wakes(
    slow: FloatArray,
    start_s: float,
    settings: BandSettings,
    ripple: Ripple,
    *,
    firmware: Firmware,
    rng: np.random.Generator,
) -> Crossings:
    """Band wakes of one node while its slow level runs through the given minutes.

    Parameters
    ----------
    slow
        Level at the start of each minute, without waves; straight in between. Unit of the reading, shape (minutes,)
    start_s
        Time of the first minute. [s]

    Notes
    -----
    An edge-rearmed node wakes at a poll outside [lo, hi] after one inside [lo + hyst, hi - hyst]. A level-rearmed node
    wakes at every poll outside that is not within `deaf_s` of the last wake; its hysteresis does nothing.
    """
    lo, hi, hyst = settings.lo, settings.hi, settings.hyst or 0.0
    if lo is None or hi is None or len(slow) < 2:
        return _accepted(_joined([]), firmware, hi or 0.0)
    per_min = max(1, round(S_PER_MIN * MS_PER_S / (settings.period_ms or 100.0)))
    avg = settings.avg or 1
    edge = firmware.rearm == "edge"
    near = _near(slow, settings, SURE_SD * ripple.poll_sd(avg), edge=edge)
    polls = _Polls(slow=slow, start_s=start_s, per_min=per_min, avg=avg, ripple=ripple, rng=rng)
    was_out = edge and bool(slow[0] < lo or slow[0] > hi)
    follow = _Follow(lo=lo, hi=hi, hyst=hyst if edge else 0.0, was_out=was_out, armed_s=start_s)
    for part in _chunks(near, per_min):
        follow.take(polls.in_minutes(part, near[part]))
    return _accepted(follow.runs(), firmware, hi)


def _near(slow: FloatArray, settings: BandSettings, margin: float, *, edge: bool) -> BoolArray:
    """True for each minute in which a poll may change something.

    That is near a threshold while the band may be armed, or near a re-arming level while it may not be.
    """
    lo, hi = settings.lo or 0.0, settings.hi or 0.0
    hyst = (settings.hyst or 0.0) if edge else 0.0
    low, high = np.minimum(slow[:-1], slow[1:]), np.maximum(slow[:-1], slow[1:])
    near_trip = _straddles(low, high, lo, margin) | _straddles(low, high, hi, margin)
    if not edge:
        return near_trip
    near_rearm = _straddles(low, high, lo + hyst, margin) | _straddles(low, high, hi - hyst, margin)
    surely_out = (high < lo - margin) | (low > hi + margin)
    surely_inside = (low > lo + hyst + margin) & (high < hi - hyst - margin)
    may_be_armed = _last(near_rearm | surely_inside) >= _last(surely_out)
    may_be_out = _last(near_trip | surely_out) >= _last(surely_inside)
    return (near_trip & may_be_armed) | (near_rearm & may_be_out)


def _straddles(low: FloatArray, high: FloatArray, level: float, margin: float) -> BoolArray:
    return np.asarray((low <= level + margin) & (high >= level - margin))


def _last(happens: BoolArray) -> NDArray[np.int64]:
    """Index of the last time it happened, up to and including each minute; -1 before the first."""
    return np.maximum.accumulate(np.where(happens, np.arange(len(happens)), -1))


def _chunks(near: BoolArray, per_min: int) -> list[slice]:
    """Minutes in pieces of bounded size."""
    cost = np.cumsum(np.where(near, per_min, 1))
    count = int(cost[-1] // CHUNK_POLLS) + 1
    cuts = np.searchsorted(cost, np.arange(1, count) * CHUNK_POLLS).tolist()
    ends = [0, *cuts, len(near)]
    return [slice(a, b) for a, b in itertools.pairwise(ends) if b > a]


@dataclass(frozen=True)
class _Looks:
    """Readings of some minutes in a row, and where each minute begins among them."""

    value: NDArray[np.float32]
    first: NDArray[np.int64]
    start_s: float
    per_min: int

    def at_s(self, index: NDArray[np.int64]) -> FloatArray:
        """Time of the readings at these places. [s]"""
        minute = np.searchsorted(self.first, index, side="right") - 1
        return np.asarray(self.start_s + S_PER_MIN * (minute + (index - self.first[minute]) / self.per_min))


@dataclass
class _Polls:
    """Makes the polls of a stretch of minutes; carries the wave from one stretch to the next."""

    slow: FloatArray
    start_s: float
    per_min: int
    avg: int
    ripple: Ripple
    rng: np.random.Generator
    carried: FloatArray | None = None

    def in_minutes(self, part: slice, near: BoolArray) -> _Looks:
        """Readings: all polls of near minutes, the first of the others."""
        count = np.where(near, self.per_min, 1)
        begin, rise = self.slow[part.start : part.stop], np.diff(self.slow[part.start : part.stop + 1])
        share = np.arange(self.per_min, dtype=np.float32) / np.float32(self.per_min)
        rough = rise[near].astype(np.float32)[:, None] * share + begin[near].astype(np.float32)[:, None]
        rough += self._ripple(rough.size).reshape(rough.shape)
        every = np.repeat(near, count)
        value = np.empty(len(every), dtype=np.float32)
        value[every] = rough.ravel()
        value[~every] = begin[~near]
        return _Looks(value, np.cumsum(count) - count, self.start_s + S_PER_MIN * part.start, self.per_min)

    def _ripple(self, count: int) -> FloatArray:
        """Waves and averaged noise of the next polls. The wave carries over the gaps that were left out."""
        if count == 0:
            return np.zeros(0)
        rho = np.float32(np.exp(-S_PER_MIN / self.per_min / self.ripple.wave_s))
        kick = self.rng.standard_normal(count, dtype=np.float32)
        if self.carried is None:
            self.carried = np.array([rho * self.rng.standard_normal()], dtype=np.float32)
        gain = np.float32(np.sqrt(1 - np.exp(-2 * S_PER_MIN / self.per_min / self.ripple.wave_s)))
        wave, self.carried = lfilter([gain], [np.float32(1), -rho], kick, zi=self.carried)
        noise_sd = np.float32(self.ripple.noise_sd / np.sqrt(self.avg))
        noise = noise_sd * self.rng.standard_normal(count, dtype=np.float32) if noise_sd else np.float32(0)
        return np.asarray(np.float32(self.ripple.wave_sd) * wave + noise)


class _Follow:
    """Follows the readings through stretches outside and inside the band, over the borders of pieces."""

    def __init__(self, *, lo: float, hi: float, hyst: float, was_out: bool, armed_s: float) -> None:
        self.lo, self.hi, self.hyst = lo, hi, hyst
        self.was_out, self.armed_s = was_out, armed_s
        self.parts: list[_Runs] = []

    def take(self, looks: _Looks) -> None:
        """Add the next readings."""
        value = looks.value
        out = (value > np.float32(self.hi)) | (value < np.float32(self.lo))
        inside = (value >= np.float32(self.lo + self.hyst)) & (value <= np.float32(self.hi - self.hyst))
        telling = np.flatnonzero(out | inside)
        if not telling.size:
            return
        is_out = out[telling]
        before = np.concatenate([[self.was_out], is_out[:-1]])
        begins, ends = np.flatnonzero(is_out & ~before), np.flatnonzero(before & ~is_out)
        last_out_s = looks.at_s(telling[np.maximum(ends - 1, 0)])
        last_s = float(looks.at_s(telling[-1:])[0])
        if self.was_out:
            if self.parts:
                self.parts[-1].end_s[-1] = last_out_s[0] if ends.size else last_s
            last_out_s = last_out_s[1:]
        end_s = np.full(len(begins), last_s)
        end_s[: len(last_out_s)] = last_out_s
        armed_s = np.where(begins > 0, looks.at_s(telling[np.maximum(begins - 1, 0)]), self.armed_s)
        if begins.size:
            found = telling[begins]
            self.parts.append(_Runs(armed_s, looks.at_s(found), end_s, value[found].astype(float)))
        self.was_out = bool(is_out[-1])
        insides = np.flatnonzero(~is_out)
        self.armed_s = float(looks.at_s(telling[insides[-1:]])[0]) if insides.size else self.armed_s

    def runs(self) -> _Runs:
        """All stretches outside the band."""
        return _joined(self.parts)


def _joined(parts: list[_Runs]) -> _Runs:
    names = ("armed_s", "start_s", "end_s", "reading")
    return _Runs(*(np.concatenate([np.zeros(0), *(getattr(part, name) for part in parts)]) for name in names))


def _accepted(runs: _Runs, firmware: Firmware, hi: float) -> Crossings:
    """The wakes among the stretches: those armed again in time (edge), or every hold-off while outside (level)."""
    if firmware.rearm == "level":
        index, t_s = _every_holdoff(runs, max(firmware.deaf_s, 0.1))
    else:
        index = _rearmed(runs, firmware.deaf_s)
        t_s = runs.start_s[index]
    return Crossings(t_s, runs.reading[index] > hi, runs.reading[index])


def _rearmed(runs: _Runs, deaf_s: float) -> NDArray[np.int64]:
    if deaf_s <= 0 or np.all(runs.armed_s[1:] - runs.start_s[:-1] >= deaf_s):
        return np.arange(len(runs.start_s))
    kept, last_s = [], -np.inf
    for index, (armed_s, start_s) in enumerate(zip(runs.armed_s.tolist(), runs.start_s.tolist(), strict=True)):
        if armed_s - last_s >= deaf_s:
            kept.append(index)
            last_s = start_s
    return np.array(kept, dtype=np.int64)


def _every_holdoff(runs: _Runs, deaf_s: float) -> tuple[NDArray[np.int64], FloatArray]:
    index: list[int] = []
    t_s: list[float] = []
    last_s = -np.inf
    for number, (start_s, end_s) in enumerate(zip(runs.start_s.tolist(), runs.end_s.tolist(), strict=True)):
        next_s = max(start_s, last_s + deaf_s)
        while next_s <= end_s:
            index.append(number)
            t_s.append(next_s)
            last_s, next_s = next_s, next_s + deaf_s
    return np.array(index, dtype=np.int64), np.array(t_s)
