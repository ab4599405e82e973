"""A node's day rows as the history of its battery: voltages, temperature, whole days' charge, swaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.daily.grid import DayGrid
from fleet.estimates.battery import BatteryKind, NodeHistory
from fleet.estimates.charge_budget import PARTS, DailyCharge
from fleet.estimates.swaps import DailyVoltage, daily_voltage, is_recharged, swap_days
from fleet.units import S_PER_D
from fleet.words import EventKind

FloatArray = NDArray[np.float64]
COVERED_LEAST = 0.25  # of a day, for its pace to count
PACE_DAYS = 14
TOLD_SLACK_D = (-2.0, 5.0)  # a swap found so long before or after a told one is that one
MEDIAN_NOISE = 1.25  # standard error of a median over that of a mean
RANGE_IN_SD = 4.0  # a day's range of some dozens of readings is about so many standard deviations
UNKNOWN_NOISE_MV = 10.0


@dataclass(frozen=True)
class FleetDays:
    """Arrays of shape (n_nodes, n_days) that all histories are cut from."""

    first_day: int
    columns: dict[str, FloatArray]
    floor_mah: FloatArray
    wake_mah: FloatArray
    told_temp_c: FloatArray
    temp_c: FloatArray
    self_discharge_per_d: FloatArray
    restarted: NDArray[np.bool_]


_VOLTAGES = ("batt_count", "batt_mv", "batt_min_mv", "batt_max_mv", "batt_last_mv", "batt_tx_mv")
_COLUMNS = (
    *_VOLTAGES,
    "first_t",
    "last_t",
    "temp_c",
    "temp_max_c",
    "temp_at_batt_c",
    "first_boot",
    "last_boot",
    "boots",
)
_RESETS = ("n_power_on", "n_brownout", "n_watchdog", "n_crash")


def fleet_days(grid: DayGrid, charge: DailyCharge) -> FleetDays:
    """Everything that the batteries' histories need, whole fleet at once."""
    columns = {name: grid[name] for name in _COLUMNS}
    floor = charge.parts_mah["sleep"] + charge.parts_mah["coprocessor"]
    wake = np.sum([charge.parts_mah[part] for part in PARTS if part not in ("sleep", "coprocessor")], axis=0)
    at_batt = columns["temp_at_batt_c"]
    return FleetDays(
        first_day=int(grid.day[0]) if len(grid.day) else 0,
        columns=columns,
        floor_mah=_whole(floor, charge.covered_frac),
        wake_mah=_whole(wake, charge.covered_frac),
        told_temp_c=columns["temp_c"],
        temp_c=np.where(np.isfinite(at_batt), at_batt, charge.temp_c),
        self_discharge_per_d=charge.self_discharge_per_d,
        restarted=_cold_starts(grid, columns),
    )


def _whole(part_mah: FloatArray, covered: FloatArray) -> FloatArray:
    """Charge of whole days: what is not covered stands at the pace of the days before it."""
    enough = covered > COVERED_LEAST
    pace = np.divide(part_mah, covered, out=np.zeros_like(part_mah), where=enough)
    filled = pace.copy()
    for line in np.flatnonzero((~enough).any(axis=1)):
        known = np.flatnonzero(enough[line])
        if not len(known):
            filled[line] = np.where(covered[line].any(), np.nanmax(part_mah[line], initial=0.0), 0.0)
            continue
        late = float(np.mean(pace[line, known[-PACE_DAYS:]]))
        places = np.arange(part_mah.shape[1])
        filled[line, ~enough[line]] = np.where(places > known[-1], late, pace[line, known[0]])[~enough[line]]
    return filled


def _cold_starts(grid: DayGrid, columns: dict[str, FloatArray]) -> NDArray[np.bool_]:
    """Days on which a node started from nothing, as far as its records tell: not from a brown-out or a crash."""
    power_on, *others = (grid.known(name) for name in _RESETS)
    other = np.sum(others, axis=0)
    last = columns["last_boot"]
    place = np.maximum.accumulate(np.where(np.isfinite(last), np.arange(last.shape[1]), 0), axis=1)
    carried = np.take_along_axis(last, place, axis=1)
    before = np.concatenate([np.full((len(last), 1), np.nan), carried[:, :-1]], axis=1)
    new_boot = np.isfinite(before) & np.isfinite(columns["first_boot"]) & (columns["first_boot"] != before)
    return np.asarray((power_on > 0) | (((columns["boots"] > 1) | new_boot) & (other == 0)), dtype=bool)


def node_history(days: FleetDays, line: int, node: pd.Series, *, as_of_s: float) -> NodeHistory:
    """The history of one node from its first record on."""
    at = {name: values[line] for name, values in days.columns.items()}
    heard = np.flatnonzero(np.isfinite(at["first_t"]))
    cut = slice(int(heard[0]), None)
    sd = (at["batt_max_mv"] - at["batt_min_mv"]) / RANGE_IN_SD
    noise = MEDIAN_NOISE * sd / np.sqrt(np.maximum(at["batt_count"], 1.0))
    return NodeHistory(
        node_id=int(node["node_id"]),
        first_day=days.first_day + int(heard[0]),
        rest_mv=at["batt_mv"][cut],
        load_mv=at["batt_tx_mv"][cut],
        low_mv=at["batt_min_mv"][cut],
        noise_mv=np.where(np.isfinite(noise), noise, UNKNOWN_NOISE_MV)[cut],
        temp_c=days.temp_c[line][cut],
        told_temp_c=days.told_temp_c[line][cut],
        high_temp_c=at["temp_max_c"][cut],
        middle_s=0.5 * (at["first_t"] + at["last_t"])[cut],
        floor_mah=_until(days.floor_mah[line][cut], days.first_day + int(heard[0]), at, as_of_s),
        wake_mah=_until(days.wake_mah[line][cut], days.first_day + int(heard[0]), at, as_of_s),
        self_discharge_per_d=days.self_discharge_per_d[line][cut],
        started_s=float(at["first_t"][heard[0]]),
        as_of_s=as_of_s,
        latitude=float(node["latitude"]),
        fitted_s=float(node["fitted"]),
    )


def _until(daily: FloatArray, first_day: int, at: dict[str, FloatArray], as_of_s: float) -> FloatArray:
    """The last day's charge up to the moment of judging, the first day's from the first record on."""
    day_s = (first_day + np.arange(len(daily))) * S_PER_D
    begin = float(np.nanmin(at["first_t"]))
    share = np.clip((np.minimum(day_s + S_PER_D, as_of_s) - np.maximum(day_s, begin)) / S_PER_D, 0.0, 1.0)
    return np.asarray(daily * share, dtype=float)


@dataclass(frozen=True)
class Batteries:
    """When each battery of a node went in, whether somebody told so, and whether it is charged in the field."""

    starts_s: tuple[float, ...]
    swaps: tuple[tuple[float, bool], ...]  # moment and told, without the first battery
    recharged: bool


def batteries_of(
    days: FleetDays, line: int, history: NodeHistory, kind: BatteryKind, events: pd.DataFrame
) -> Batteries:
    """Batteries of one node: told, and found in its voltages."""
    shown = _voltage(days, line, history, kind)
    series = kind.profile.battery.series
    told = _told_s(history, events)
    recharged = is_recharged(shown, kind.chemistry, series)
    found = [] if recharged else [_moment_s(days, line, day) for day in swap_days(shown, kind.chemistry, series)]
    low, high = (slack * S_PER_D for slack in TOLD_SLACK_D)
    own = [at for at in found if not any(low <= at - by <= high for by in told)]
    swaps = sorted([(at, True) for at in told] + [(at, False) for at in own])
    return Batteries((history.started_s, *(at for at, _ in swaps)), tuple(swaps), recharged)


def _voltage(days: FleetDays, line: int, history: NodeHistory, kind: BatteryKind) -> DailyVoltage:
    cut = slice(history.first_day - days.first_day, None)
    rested = np.isfinite(history.rest_mv).sum() >= 0.5 * np.isfinite(history.load_mv).sum()
    counted = np.cumsum(history.floor_mah + history.wake_mah)
    capacity = kind.profile.battery.capacity_mah.mean * kind.profile.battery.parallel
    return daily_voltage(
        history.first_day + np.arange(len(history.rest_mv)),
        history.rest_mv if rested else history.load_mv,
        history.temp_c,
        days.restarted[line][cut],
        used_frac=counted / max(capacity, 1e-9),
        chemistry=kind.chemistry,
        series=kind.profile.battery.series,
    )


def _told_s(history: NodeHistory, events: pd.DataFrame) -> list[float]:
    mine = (events["node_id"].to_numpy() == history.node_id) & (events["what"].to_numpy() == str(EventKind.SWAP))
    told = {float(at) for at in events["at"].to_numpy(float)[mine] if history.started_s < at <= history.as_of_s}
    fitted = history.fitted_s
    later = history.started_s + S_PER_D < fitted <= history.as_of_s
    if later and not any(abs(fitted - at) < S_PER_D for at in told):
        told.add(fitted)
    return sorted(told)


def _moment_s(days: FleetDays, line: int, day: int) -> float:
    """When a swap of which a day's median is the first sign took place: that day, or late on the day before it."""
    at = {name: values[line] for name, values in days.columns.items()}
    place = day - days.first_day
    known = np.flatnonzero(np.isfinite(at["batt_last_mv"][:place]) & np.isfinite(at["batt_mv"][:place]))
    if len(known) and np.isfinite(at["batt_mv"][place]):
        before = int(known[-1])
        step = at["batt_mv"][place] - at["batt_mv"][before]
        if (at["batt_last_mv"][before] - at["batt_mv"][before]) / step > 0.5:
            return float(at["last_t"][before])
    return float(at["first_t"][place])
