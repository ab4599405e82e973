"""Batteries that were changed, and batteries that are charged in the field: found in the daily voltages."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.profiles.chemistry import Chemistry

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BEFORE_DAYS = 3  # days with a voltage that the new one is compared with
UP_FRAC = 0.022  # of the nominal voltage: a smaller rise is no new pack
UP_FRAC_RESTARTED = 0.012  # if the node started cold that day
DOWN_FRAC = 0.04  # a fall on a cold start: part-used or other cells
NOISES = 6.0
PER_K_FRAC = 0.006  # of the nominal voltage: what one kelvin may do under load (16 mV/K in 3 V, recordings)
RISE_WITHIN = 5  # days with a voltage over which charging by day adds up
PACK_STEP_FRAC = 0.05  # of the nominal voltage, from one day to the next: another pack, not the sun
RISES_APART_D = 60.0
USED_UNSEEN = 0.3  # share of capacity counted as drawn while the voltage stayed


@dataclass(frozen=True)
class DailyVoltage:
    """One node's days with a voltage; arrays of shape (n,), oldest first."""

    day: NDArray[np.int64]
    mv: FloatArray  # lower median, at 20 °C as far as the chemistry tells
    temp_c: FloatArray
    restarted: BoolArray  # a cold start since the day before
    used_frac: FloatArray  # counted charge so far over capacity


def daily_voltage(
    day: NDArray[np.int64],
    mv: FloatArray,
    temp_c: FloatArray,
    restarted: BoolArray,
    *,
    used_frac: FloatArray,
    chemistry: Chemistry,
    series: int,
) -> DailyVoltage:
    """The days that have a voltage, brought to 20 °C."""
    known = np.isfinite(mv)
    warm = np.where(np.isfinite(temp_c), temp_c, 20.0)
    at_20 = mv - series * chemistry.temp_shift_mv(np.full(len(mv), 0.5), warm)
    # A cold start on a day without a voltage still tells of the next one that has it.
    restarts = np.cumsum(restarted)[known]
    since = np.diff(restarts, prepend=0) > 0
    return DailyVoltage(day[known], at_20[known], warm[known], since, used_frac[known])


def swap_days(shown: DailyVoltage, chemistry: Chemistry, series: int) -> list[int]:
    """Days on which another pack was in the node for the first time. [days since 1970 UTC]

    Notes
    -----
    A rise that noise and temperature don't explain and that stays the day after, or a fall together with a cold start.
    A battery only falls between swaps, so the level before is the lowest of the last days' middle and last.
    """
    nominal = chemistry.nominal_mv * series
    noise = _noise_mv(shown.mv)
    found: list[int] = []
    start = 0
    steps = np.abs(np.diff(shown.mv, prepend=shown.mv[:1]))
    for at in np.flatnonzero((steps > 0.5 * UP_FRAC_RESTARTED * nominal) | shown.restarted):
        if at > start and _is_swap(shown, int(at), start, nominal=nominal, noise=noise):
            found.append(int(shown.day[at]))
            start = int(at)
    return found


def _noise_mv(mv: FloatArray) -> float:
    """Noise of a day's voltage, by second differences: a steady fall or a rise of some days is no noise."""
    if len(mv) < 4:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(mv, n=2))) / np.sqrt(6.0))


def _is_swap(shown: DailyVoltage, at: int, start: int, *, nominal: float, noise: float) -> bool:
    before = slice(max(start, at - BEFORE_DAYS), at)
    level = float(min(np.median(shown.mv[before]), shown.mv[at - 1]))
    warmer = abs(float(shown.temp_c[at] - np.mean(shown.temp_c[before])))
    stays = shown.mv[at : at + 2]
    rise = float(stays.min()) - level
    slack = NOISES * noise + PER_K_FRAC * nominal * 0.5 * warmer
    # A swap late in a day shows in the median of the day after.
    restarted = bool(shown.restarted[max(at - 1, start + 1) : at + 1].any())
    if rise > max(slack, (UP_FRAC_RESTARTED if restarted else UP_FRAC) * nominal):
        return True
    top = float(max(np.median(shown.mv[before]), shown.mv[at - 1]))
    fall = top - float(stays.max())
    steady = len(stays) < 2 or abs(float(stays[1] - stays[0])) < 0.3 * fall
    return restarted and steady and fall > max(slack, DOWN_FRAC * nominal)


def is_recharged(shown: DailyVoltage, chemistry: Chemistry, series: int) -> bool:
    """Whether the voltage rises again and again without a cold start, or stays while much charge was drawn.

    Notes
    -----
    Only kinds of cells that can be recharged. A rise counts if it is more than noise and temperature can make within
    five days; two within two months are enough. A single one is a pack charged on the bench: a swap.
    """
    if not chemistry.rechargeable or len(shown.mv) < 4:
        return False
    return _rises(shown, chemistry.nominal_mv * series) or _stays(shown, chemistry, series)


def _rises(shown: DailyVoltage, nominal: float) -> bool:
    noise = _noise_mv(shown.mv)
    rises: list[float] = []
    low = 0
    for at in range(1, len(shown.mv)):
        if shown.restarted[at] or shown.mv[at] < shown.mv[low] or at - low > RISE_WITHIN:
            low = at if shown.restarted[at] or shown.mv[at] < shown.mv[low] else at - RISE_WITHIN
        warmer = abs(float(shown.temp_c[at] - shown.temp_c[low]))
        least = max(3.0 * noise, UP_FRAC_RESTARTED * nominal) + 0.0007 * nominal * warmer
        rise = float(shown.mv[at] - shown.mv[low])
        if rise > least and shown.mv[at] - shown.mv[at - 1] > max(0.7 * rise, PACK_STEP_FRAC * nominal):
            low = at  # at one blow, so much: another pack
        elif rise > least:
            rises.append(float(shown.day[at]))
            low = at
    recent = [day for day in rises if shown.day[-1] - day <= 2 * RISES_APART_D]
    return any(late - early <= RISES_APART_D for early, late in itertools.pairwise(recent))


def _stays(shown: DailyVoltage, chemistry: Chemistry, series: int) -> bool:
    used = float(shown.used_frac[-1] - shown.used_frac[0])
    if used < USED_UNSEEN or len(shown.mv) < 14:
        return False
    first, last = float(np.median(shown.mv[:7])), float(np.median(shown.mv[-7:]))
    # Where the curve is flat the least steep stretch of so much charge decides, so flat chemistries never pass.
    ends = np.arange(0.0, 0.91 - USED_UNSEEN, 0.05)
    fall = series * float(np.min(chemistry.voltage_mv(ends) - chemistry.voltage_mv(ends + USED_UNSEEN)))
    return fall > 0.015 * chemistry.nominal_mv * series and first - last < 0.2 * fall
