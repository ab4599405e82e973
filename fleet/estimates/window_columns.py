"""Result columns of a window of time: wakes, duty cycle, drain and its parts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from fleet.daily.grid import DayGrid
from fleet.estimates.battery_beliefs import UNSTATED_FLOOR_LOG_SD, UNSTATED_WAKE_LOG_SD
from fleet.estimates.charge_budget import PARTS, DailyCharge
from fleet.estimates.counts import wakes_in_window
from fleet.estimates.duty_cycle import duty_cycle
from fleet.estimates.profile_table import profile_table
from fleet.profiles.profile import Profile
from fleet.units import H_PER_D

FloatArray = NDArray[np.float64]
REACH = 1.6449  # standard deviations either side that hold 90 %
LEFT_MIDDLE = 0.5  # share of charge left for self-discharge where the battery's state is not asked


def window_columns(
    grid: DayGrid,
    charge: DailyCharge,
    profile_of: Sequence[Profile | None],
    *,
    since_at: datetime | None,
    as_of_s: float,
) -> dict[str, FloatArray]:
    """Columns of the ESTIMATE frame that rest on counts and profile alone. Shape (n_nodes,) each; NaN where not known.

    Notes
    -----
    Drain is charge over the time covered by records. Its interval takes a profile's figure to be off by the same
    factor on every day, and unknown lengths of wakes as chance.
    """
    heard = grid.has_row.any(axis=1)
    first = np.where(heard, np.nan_to_num(grid["first_t"], nan=np.inf).min(axis=1, initial=np.inf), np.nan)
    last = np.where(heard, np.nan_to_num(grid["last_t"], nan=-np.inf).max(axis=1, initial=-np.inf), np.nan)
    since = first if since_at is None else np.fmax(first, since_at.timestamp())
    columns = wakes_in_window(grid)
    columns |= {"since": since, "last_heard": last}
    duty = duty_cycle(grid, charge.awake, profile_table(profile_of), since_s=np.nan_to_num(since), as_of_s=as_of_s)
    columns |= {"duty_main": duty.duty_frac, "duty_main_lo": duty.lo, "duty_main_hi": duty.hi}
    covered_d = charge.covered_frac.sum(axis=1)
    columns["duty_coprocessor"] = _over((charge.coprocessor_frac * charge.covered_frac).sum(axis=1), covered_d)
    return columns | _drain(charge, profile_of, covered_d)


def _over(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.asarray(np.divide(part, whole, out=np.full(len(part), np.nan), where=whole > 0), dtype=float)


def _drain(charge: DailyCharge, profile_of: Sequence[Profile | None], covered_d: FloatArray) -> dict[str, FloatArray]:
    columns = {f"part_{part}": _over(charge.parts_mah[part].sum(axis=1), covered_d) for part in PARTS}
    capacity = np.array([np.nan if one is None else _pack_mah(one) for one in profile_of])
    lost = (charge.self_discharge_per_d * charge.covered_frac).sum(axis=1) * capacity * LEFT_MIDDLE
    columns["part_self_discharge"] = _over(lost, covered_d)
    mean = _over(charge.total_mah.sum(axis=1) + lost, covered_d)
    chance = np.sqrt((charge.random_sd_mah**2).sum(axis=1))
    systematic = charge.systematic_sd_mah() ** 2 + _unstated_var(charge, profile_of)
    sd = _over(np.sqrt(systematic + chance**2 + (0.5 * lost) ** 2), covered_d)
    relative = np.divide(sd, mean, out=np.zeros_like(sd), where=mean > 0)
    columns["drain_mah_per_day"] = mean
    columns["drain_mah_per_day_lo"] = mean * np.exp(-REACH * relative)
    columns["drain_mah_per_day_hi"] = mean * np.exp(REACH * relative)
    for end in ("", "_lo", "_hi"):
        columns[f"drain_ma{end}"] = columns[f"drain_mah_per_day{end}"] / H_PER_D
    return columns


def _unstated_var(charge: DailyCharge, profile_of: Sequence[Profile | None]) -> FloatArray:
    """Variance of the summed charge from currents that the profile states without a spread. [mAh²]"""
    sleep, radio = (charge.parts_mah[part].sum(axis=1) for part in ("sleep", "radio"))
    wake = np.sum([charge.parts_mah[part].sum(axis=1) for part in PARTS if part.startswith("wake_")], axis=0)
    plain = np.array([_without_spread(one) for one in profile_of], dtype=float).reshape(-1, 3)
    relative = plain * np.array([UNSTATED_FLOOR_LOG_SD, UNSTATED_WAKE_LOG_SD, UNSTATED_WAKE_LOG_SD])
    return np.asarray((relative**2 * np.stack([sleep, wake, radio], axis=-1) ** 2).sum(axis=1), dtype=float)


def _without_spread(profile: Profile | None) -> tuple[bool, bool, bool]:
    if profile is None:
        return (False, False, False)
    radio = profile.radio
    return (
        profile.sleep.current_ua.sd <= 0,
        profile.wake.current_ma.sd <= 0,
        radio is not None and radio.current_ma.sd <= 0,
    )


def _pack_mah(profile: Profile) -> float:
    return profile.battery.capacity_mah.mean * profile.battery.parallel
