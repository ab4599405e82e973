"""Where the charge goes: mAh of every node-day by sleep, coprocessor, wake cause and radio, with its spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fleet.daily.grid import DayGrid
from fleet.daily.groups import FloatArray
from fleet.estimates.awake_time import AwakeTime, awake_time, group_of_cause
from fleet.estimates.counts import wakes_by_cause
from fleet.estimates.day_weather import Weather, day_weather
from fleet.estimates.profile_table import ProfileTable, coprocessor_current_ua, profile_table
from fleet.profiles.chemistry import Chemistry
from fleet.profiles.profile import Profile
from fleet.units import MS_PER_S, S_PER_D, S_PER_H, UA_PER_MA
from fleet.words import Cause

HIDDEN_WAKES_FRAC = 0.5  # of the wakes that a cold start may hide so many are taken to have been,
HIDDEN_WAKES_SD = 0.3  # give or take
USUAL_DAYS = 14  # a day without records is taken to be like so many before it
PARTS = ("sleep", "coprocessor", *(f"wake_{cause.word}" for cause in Cause), "radio")
SYSTEMATIC = ("sleep", "coprocessor", "wake", "radio")


@dataclass(frozen=True)
class DailyCharge:
    """Charge drawn from the pack, self-discharge apart. Arrays of shape (n_nodes, n_days) but where said.

    A figure of the profile that is off is off on every day alike: errors of that kind (`relative_sd`) add up in a sum
    over days, those of `random_sd_mah` average out. NaN everywhere for a node without a usable profile.
    """

    parts_mah: Mapping[str, FloatArray]  # by PARTS, in the time covered
    total_mah: FloatArray  # in the time covered
    random_sd_mah: FloatArray
    relative_sd: Mapping[str, FloatArray]  # by SYSTEMATIC, shape (n_nodes,)
    covered_frac: FloatArray  # share of the day between the node's first and last record
    full_day_mah: FloatArray  # of a whole day at that pace; a day not covered is like the usual ones before it
    assumed: FloatArray  # 1 where full_day_mah rests on other days
    self_discharge_per_d: FloatArray  # share of what is left that a cell loses in the day
    temp_c: FloatArray  # mean temperature, filled between days known; 20 where a node tells none
    awake: AwakeTime
    by_cause: FloatArray  # wakes, shape (n_nodes, n_days, n_causes)
    coprocessor_frac: FloatArray  # share of time that the coprocessor runs

    def systematic_sd_mah(self, chosen: np.ndarray | None = None) -> FloatArray:
        """Standard deviation, by the profile's figures, of the sum over the days chosen. [mAh], shape (n_nodes,)"""
        return systematic_sd_mah(self.parts_mah, self.relative_sd, chosen)


def daily_charge_mah(
    grid: DayGrid,
    profiles: Sequence[Profile | None],
    *,
    chemistries: Sequence[Chemistry | None] | None = None,
    period_ms: FloatArray | None = None,
) -> DailyCharge:
    """Charge of every node-day, by part.

    Parameters
    ----------
    grid
        Day rows as (nodes × days).
    profiles
        One a node of the grid; None where it is not known.
    chemistries
        One a node, for self-discharge; without it that is 0.
    period_ms
        Coprocessor period in force, a node and day or a node, NaN for the profile's own. [ms]

    Notes
    -----
    Profile × time in state. Radio current is the whole current while the radio is on, so it takes the place of the wake
    current then. Sleep current and self-discharge follow the mean of the temperature factor over the day, which is more
    than the factor of the mean temperature. Left out: start-up inrush, converter efficiency over battery voltage.

    Examples
    --------
    See `tests/fleet/estimates/test_charge_budget.py`: 12 wakes a day of 2.5 s at 80 mA on 5 µA and a coprocessor of
    0.8 µA have a mean of 33.577778 µA.
    """
    table = profile_table(profiles)
    by_cause = wakes_by_cause(grid)
    awake = awake_time(grid, table, by_cause)
    weather = day_weather(grid, chemistries, table.sleep_q10)
    coprocessor_frac = _coprocessor_frac(grid, table, period_ms)
    parts = _parts_mah(grid, table, (by_cause, awake, weather), coprocessor_frac)
    total = np.sum([parts[part] for part in PARTS], axis=0)
    covered = np.clip(grid.covered_s / S_PER_D, 0.0, 1.0)
    full, assumed = _full_days(grid, total, covered)
    return DailyCharge(
        parts_mah=parts,
        total_mah=total,
        random_sd_mah=_random_sd_mah(grid, table, awake),
        relative_sd=_relative_sd(table, parts, awake),
        covered_frac=covered,
        full_day_mah=full,
        assumed=assumed,
        self_discharge_per_d=weather.self_discharge_per_d,
        temp_c=weather.temp_c,
        awake=awake,
        by_cause=by_cause,
        coprocessor_frac=coprocessor_frac,
    )


def systematic_sd_mah(
    parts_mah: Mapping[str, FloatArray], relative_sd: Mapping[str, FloatArray], chosen: np.ndarray | None = None
) -> FloatArray:
    """Standard deviation of a sum over days from the profile's figures, off alike on all days. Shape (n_nodes,)"""
    wakes = np.sum([values for part, values in parts_mah.items() if part.startswith("wake_")], axis=0)
    shown = {"wake": wakes, **{part: parts_mah[part] for part in SYSTEMATIC if part != "wake"}}
    there = {part: values if chosen is None else np.where(chosen, values, 0.0) for part, values in shown.items()}
    squares = [(there[part].sum(axis=1) * relative_sd[part]) ** 2 for part in SYSTEMATIC]
    return np.asarray(np.sqrt(np.sum(squares, axis=0)), dtype=float)


def _coprocessor_frac(grid: DayGrid, table: ProfileTable, period_ms: FloatArray | None) -> FloatArray:
    """Share of time that the coprocessor runs: by its runs where records count them, else by its period."""
    period_s = np.broadcast_to(table.coprocessor_period_s[:, None], grid.row.shape)
    if period_ms is not None:
        told = np.asarray(period_ms, dtype=float) / MS_PER_S
        told = told if told.ndim == 2 else told[:, None]
        period_s = np.where(np.isfinite(told) & (told > 0) & np.isfinite(period_s), told, period_s)
    by_period = np.divide(1.0, period_s, out=np.zeros(grid.row.shape), where=period_s > 0)
    runs, seen = grid["runs"], grid.seen
    covered = np.maximum(grid.covered_s, 1.0)
    # Runs of lost records are lost with them; only a day whose records count plausibly goes by its own count.
    by_runs = runs * np.divide(grid.wakes, seen, out=np.ones_like(seen), where=seen > 0) / covered
    plausible = np.isfinite(by_runs) & (by_runs > 0.5 * by_period) & (by_runs < 1.5 * by_period)
    plausible &= grid.covered_s > 0.9 * S_PER_D
    rate = np.where(plausible, by_runs, by_period)
    return np.minimum(rate * table.coprocessor_run_s.mean[:, None], 1.0)


def _parts_mah(
    grid: DayGrid, table: ProfileTable, state: tuple[FloatArray, AwakeTime, Weather], coprocessor_frac: FloatArray
) -> dict[str, FloatArray]:
    by_cause, awake, weather = state
    hidden = _hidden_factor(grid)
    awake_s, radio_s = awake.awake_s * hidden, awake.radio_s * hidden
    asleep_s = np.maximum(grid.covered_s - awake_s, 0.0)
    sleep_ma = table.sleep_ua.mean[:, None] / UA_PER_MA * weather.sleep_factor
    run_ua = coprocessor_current_ua(table.coprocessor_run_ma.mean[:, None], coprocessor_frac, np.array(1.0))
    off_s = _radio_off_by_cause_s(by_cause, table, awake, awake_s - radio_s)
    parts = {
        "sleep": sleep_ma * asleep_s / S_PER_H,
        "coprocessor": run_ua / UA_PER_MA * grid.covered_s / S_PER_H,
        "radio": table.radio_current_ma.mean[:, None] * radio_s / S_PER_H,
    }
    for cause in Cause:
        parts[f"wake_{cause.word}"] = table.wake_current_ma.mean[:, cause, None] * off_s[..., cause] / S_PER_H
    return parts


def _hidden_factor(grid: DayGrid) -> FloatArray:
    """Wakes taken to have been over wakes counted: more than 1 where a cold start hides some."""
    wakes = grid.wakes
    hidden = HIDDEN_WAKES_FRAC * grid.uncounted_wakes
    return 1.0 + np.divide(hidden, wakes, out=np.zeros_like(wakes), where=wakes > 0)


def _radio_off_by_cause_s(by_cause: FloatArray, table: ProfileTable, awake: AwakeTime, off_s: FloatArray) -> FloatArray:
    """Time awake with the radio off, shared out by cause: by usual length of the group, or by profile."""
    radio_s = table.has_radio * table.radio_length_s.mean[:, None]
    by_group = awake.length_s[:, group_of_cause()]
    measured = np.maximum(by_group - np.minimum(np.nan_to_num(radio_s), 0.9 * by_group), 1e-6)
    length = np.where(awake.by_profile[:, None] > 0, table.wake_length_s.mean, measured)
    weight = by_cause * length[:, None, :]
    total = weight.sum(axis=2, keepdims=True)
    share = np.divide(weight, total, out=np.zeros_like(weight), where=total > 0)
    return np.asarray(share * np.maximum(off_s, 0.0)[..., None], dtype=float)


def _random_sd_mah(grid: DayGrid, table: ProfileTable, awake: AwakeTime) -> FloatArray:
    """Standard deviation from what no record tells, in the time covered. [mAh]"""
    mix_ma = np.fmax(table.wake_current_ma.mean.mean(axis=1), table.radio_current_ma.mean)[:, None]
    hidden_s = HIDDEN_WAKES_SD * grid.uncounted_wakes * awake.length_s.mean(axis=1)[:, None]
    return np.asarray(mix_ma * np.sqrt(awake.random_var_s2 + hidden_s**2) / S_PER_H, dtype=float)


def _relative_sd(table: ProfileTable, parts: Mapping[str, FloatArray], awake: AwakeTime) -> dict[str, FloatArray]:
    """Relative standard deviation of each part that comes from the profile. Shape (n_nodes,)"""
    current, length = table.wake_current_ma.relative_sd(), table.wake_length_s.relative_sd()
    each = np.sqrt(current**2 + awake.by_profile[:, None] * length**2)
    sums = np.stack([parts[f"wake_{cause.word}"].sum(axis=1) for cause in Cause], axis=1)
    total = sums.sum(axis=1)
    wake = np.divide((sums * each).sum(axis=1), total, out=each[:, Cause.TIMER].copy(), where=total > 0)
    radio_length = table.radio_length_s.relative_sd() * awake.radio_by_profile
    run = np.hypot(table.coprocessor_run_ma.relative_sd(), table.coprocessor_run_s.relative_sd())
    return {
        "sleep": table.sleep_ua.relative_sd(),
        "coprocessor": run,
        "wake": wake,
        "radio": np.hypot(table.radio_current_ma.relative_sd(), radio_length),
    }


def _full_days(grid: DayGrid, total: FloatArray, covered: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Charge of whole days, days that are hardly covered filled from the usual ones around them."""
    enough = covered > 0.25
    full = np.divide(total, covered, out=np.full(total.shape, np.nan), where=enough)
    filled = full.copy()
    usual = np.full(len(total), np.nan)
    first = np.where(enough.any(axis=1), full[np.arange(len(full)), enough.argmax(axis=1)], np.nan)
    usual[:] = first
    for place in range(total.shape[1]):
        today = full[:, place]
        known = np.isfinite(today)
        usual = np.where(known, usual + (today - usual) / USUAL_DAYS * 2.0, usual)
        filled[:, place] = np.where(known, today, usual)
    return filled, (~np.isfinite(full)).astype(float)
