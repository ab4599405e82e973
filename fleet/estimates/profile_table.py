"""The figures of many profiles as one array each, a value a node: for estimators that work on whole fleets at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.profiles.profile import Figure, Profile
from fleet.units import MS_PER_S, UA_PER_MA, US_PER_S
from fleet.words import Cause

FloatArray = NDArray[np.float64]
NO_FIGURE = Figure(0.0)


@dataclass(frozen=True)
class Spread:
    """A figure a node and its standard deviation; NaN where the node has no usable profile."""

    mean: FloatArray
    sd: FloatArray

    def relative_sd(self) -> FloatArray:
        """Standard deviation over mean; 0 where the mean is 0."""
        return np.asarray(np.divide(self.sd, self.mean, out=np.zeros_like(self.sd), where=self.mean > 0), dtype=float)


@dataclass(frozen=True)
class ProfileTable:
    """Arrays of shape (n_nodes,); those by cause of shape (n_nodes, n_causes). What a node does not have is 0."""

    sleep_ua: Spread
    sleep_q10: FloatArray
    coprocessor_run_ma: Spread
    coprocessor_run_s: Spread
    coprocessor_period_s: FloatArray
    wake_length_s: Spread  # by cause, radio off
    wake_current_ma: Spread  # by cause, radio off
    radio_length_s: Spread
    radio_current_ma: Spread
    has_radio: FloatArray  # by cause: 1 if this wake reports
    capacity_mah: Spread  # of the pack

    @property
    def n_nodes(self) -> int:
        """Number of nodes."""
        return len(self.sleep_q10)


def profile_table(profiles: Sequence[Profile | None]) -> ProfileTable:
    """One line a node; None for a node whose profile is not known: all its figures are NaN."""
    return ProfileTable(
        sleep_ua=_spread(profiles, lambda one: one.sleep.current_ua),
        sleep_q10=_numbers(profiles, lambda one: one.sleep.q10.mean),
        coprocessor_run_ma=_spread(profiles, lambda one: one.coprocessor.run_ma if one.coprocessor else NO_FIGURE),
        coprocessor_run_s=_spread(
            profiles, lambda one: one.coprocessor.run_us if one.coprocessor else NO_FIGURE, US_PER_S
        ),
        coprocessor_period_s=_numbers(
            profiles, lambda one: one.coprocessor.period_ms / MS_PER_S if one.coprocessor else np.inf
        ),
        wake_length_s=_by_cause(profiles, _wake_length, MS_PER_S),
        wake_current_ma=_by_cause(profiles, _wake_current, 1.0),
        radio_length_s=_spread(profiles, lambda one: one.radio.length_ms if one.radio else NO_FIGURE, MS_PER_S),
        radio_current_ma=_spread(profiles, lambda one: one.radio.current_ma if one.radio else NO_FIGURE),
        has_radio=_by_cause(profiles, _has_radio, 1.0).mean,
        capacity_mah=_spread(profiles, lambda one: one.battery.capacity_mah, factor=_parallel(profiles)),
    )


def coprocessor_current_ua(run_ma: FloatArray, run_s: FloatArray, period_s: FloatArray) -> FloatArray:
    """Mean current that the coprocessor's runs add. [µA]

    Examples
    --------
    40 µs at 2 mA every 100 ms are 2000 µA × 0.0004 (common practice, no source):

    >>> round(float(coprocessor_current_ua(np.array(2.0), np.array(40e-6), np.array(0.1))), 9)
    0.8
    """
    return np.asarray(run_ma * UA_PER_MA * run_s / period_s, dtype=float)


def _numbers(profiles: Sequence[Profile | None], pick: Callable[[Profile], float]) -> FloatArray:
    return np.array([np.nan if one is None else pick(one) for one in profiles], dtype=float)


def _parallel(profiles: Sequence[Profile | None]) -> FloatArray:
    return _numbers(profiles, lambda one: float(one.battery.parallel))


def _spread(
    profiles: Sequence[Profile | None],
    pick: Callable[[Profile], Figure],
    per: float = 1.0,
    factor: FloatArray | float = 1.0,
) -> Spread:
    mean, sd = _numbers(profiles, lambda one: pick(one).mean), _numbers(profiles, lambda one: pick(one).sd)
    return Spread(np.asarray(mean / per * factor, dtype=float), np.asarray(sd / per * factor, dtype=float))


def _by_cause(profiles: Sequence[Profile | None], pick: Callable[[Profile, str], Figure], per: float) -> Spread:
    figures = [[Figure(np.nan) if one is None else pick(one, cause.word) for cause in Cause] for one in profiles]
    mean = np.array([[figure.mean for figure in line] for line in figures], dtype=float).reshape(-1, len(Cause))
    sd = np.array([[figure.sd for figure in line] for line in figures], dtype=float).reshape(-1, len(Cause))
    return Spread(mean / per, sd / per)


def _wake_length(profile: Profile, word: str) -> Figure:
    differs = profile.cause.get(word)
    return differs.length_ms if differs and differs.length_ms else profile.wake.length_ms


def _wake_current(profile: Profile, word: str) -> Figure:
    differs = profile.cause.get(word)
    return differs.current_ma if differs and differs.current_ma else profile.wake.current_ma


def _has_radio(profile: Profile, word: str) -> Figure:
    differs = profile.cause.get(word)
    return Figure(1.0 if profile.radio and (differs is None or differs.radio) else 0.0)
