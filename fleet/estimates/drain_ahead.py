"""Drain and temperature of the coming months: the recent regime, how often it changed, the season of the site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.units import D_PER_YEAR

FloatArray = NDArray[np.float64]

WINDOWS_D = (7, 14, 28, 56)
SAME_FRAC = 0.12  # a longer window still counts as the same regime if its mean is within this of the shorter one
CHANGED_FRAC = 0.3  # a block of days that differs so much from the one before is a change
BLOCK_D = 10
COLDEST_DOY = 20.0  # about three weeks after the winter solstice, northern half (common practice, no source)
SWING_PER_DEGREE_C = 0.22  # half the yearly swing per degree of latitude (from memory, coarse)
SWING_SD_C = 4.0
SWING_UNKNOWN_SD_C = 6.0
DAY_SD_C = 5.0  # of daily means about the season, mostly shared by a fortnight
SHARED_D = 10.0
WEEK_D = 7
WEEKS_LEAST = 4
COOL_WEEK = 0.2  # quantile


@dataclass(frozen=True)
class DrainAhead:
    """Counted drain of one node's recent regime, and the temperature of its coming year."""

    floor_mah_per_d: float
    wake_mah_per_d: float
    wake_long_mah_per_d: float
    mean_mah_per_d: float  # over the battery's whole time, floor and wakes
    wake_log_sd: float
    changes_count: int
    watched_d: float
    battery_d: float
    season_mean_c: float
    season_swing_c: float
    day_of_year: float  # now
    alive: bool  # heard of late
    week_high_c: float = 0.0  # by how much the warmest hour of a cool week lies above the season

    def temp_c(self, ahead_d: ArrayLike) -> FloatArray:
        """Temperature of the warmest hour of a cool week so many days ahead. [°C]"""
        phase = 2 * np.pi * (self.day_of_year + np.asarray(ahead_d, dtype=float) - COLDEST_DOY) / D_PER_YEAR
        season = self.season_mean_c - self.season_swing_c * np.cos(phase)
        return np.asarray(season + self.week_high_c, dtype=float)

    @property
    def coldest_c(self) -> float:
        """Warmest hour of the coldest week of the year."""
        return self.season_mean_c + self.week_high_c - abs(self.season_swing_c)

    @property
    def warmest_c(self) -> float:
        """Warmest hour of the warmest week of the year."""
        return self.season_mean_c + self.week_high_c + abs(self.season_swing_c)


def drain_ahead(
    floor_mah: FloatArray,
    wake_mah: FloatArray,
    temp_c: FloatArray,
    *,
    high_c: FloatArray,
    battery_days: int,
    last_day: int,
    latitude: float,
    alive: bool,
) -> DrainAhead:
    """What a node's days say of its coming drain.

    Parameters
    ----------
    floor_mah, wake_mah
        Counted charge of each whole day of the node's history. [mAh], shape (n_days,)
    temp_c
        Daily mean temperature the node told, NaN where it told none. shape (n_days,)
    high_c
        Highest temperature the node told on each day, NaN where it told none. shape (n_days,)
    battery_days
        How many of the last days belong to the present battery.
    last_day
        Day of the last entry. [days since 1970 UTC]
    latitude
        NaN where not known.
    alive
        Whether the node was heard of late.
    """
    window = _regime_d(wake_mah)
    recent = wake_mah[-window:]
    spread = float(np.std(recent) / max(float(np.mean(recent)), 1e-9)) if window > 1 else 0.5
    of_battery = slice(-max(battery_days, 1), None)
    doy = (last_day + 1) % D_PER_YEAR
    mean_c, swing_c = _season(temp_c, doy, latitude)
    return DrainAhead(
        floor_mah_per_d=float(np.mean(floor_mah[-window:])),
        wake_mah_per_d=float(np.mean(recent)),
        wake_long_mah_per_d=float(np.median(wake_mah)),
        mean_mah_per_d=float(np.mean(floor_mah[of_battery] + wake_mah[of_battery])),
        # Days of one regime hang together, so the mean is surer than one day by less than the root of their number.
        wake_log_sd=float(np.hypot(0.05, min(spread, 1.0) / np.sqrt(max(window / 4.0, 1.0)))),
        changes_count=_changes_count(wake_mah),
        watched_d=float(len(wake_mah)),
        battery_d=float(max(battery_days, 1)),
        season_mean_c=mean_c,
        season_swing_c=swing_c,
        day_of_year=float(doy),
        alive=alive,
        week_high_c=_week_high_c(temp_c, high_c),
    )


def _regime_d(wake_mah: FloatArray) -> int:
    """Days since which the node wakes as it does now, from a handful of windows."""
    chosen = min(WINDOWS_D[0], len(wake_mah))
    level = float(np.mean(wake_mah[-chosen:]))
    for window in WINDOWS_D[1:]:
        if window > len(wake_mah):
            break
        older = float(np.mean(wake_mah[-window:-chosen]))
        if abs(older - level) > SAME_FRAC * max(level, 1e-9):
            break
        chosen = window
    return max(chosen, 1)


def _changes_count(wake_mah: FloatArray) -> int:
    """Changes of level between blocks of days."""
    blocks = len(wake_mah) // BLOCK_D
    if blocks < 2:
        return 0
    level = np.median(wake_mah[-blocks * BLOCK_D :].reshape(blocks, BLOCK_D), axis=1)
    low, high = np.minimum(level[1:], level[:-1]), np.maximum(level[1:], level[:-1])
    return int(np.sum(high - low > CHANGED_FRAC * np.maximum(low, 1e-9)))


def _week_high_c(temp_c: FloatArray, high_c: FloatArray) -> float:
    """Warmest hour of a cool week above the mean of the month around it: a fifth of all weeks are cooler. [°C]

    A battery has died when a whole week passes without a burst that it carries, so a week's warmest hour decides.

    >>> round(_week_high_c(np.full(70, 5.0), np.full(70, 8.0)), 1)
    3.0
    """
    weeks = len(temp_c) // WEEK_D
    if weeks < WEEKS_LEAST:
        return 0.0
    mean, high = (values[-weeks * WEEK_D :].reshape(weeks, WEEK_D) for values in (temp_c, high_c))
    known = np.isfinite(mean).any(axis=1) & np.isfinite(high).any(axis=1)
    if known.sum() < WEEKS_LEAST:
        return 0.0
    week_mean, week_high = np.nanmean(mean[known], axis=1), np.nanmax(high[known], axis=1)
    around = np.convolve(np.pad(week_mean, 2, mode="edge"), np.ones(5) / 5.0, mode="valid")
    return float(max(np.quantile(week_high - around, COOL_WEEK), 0.0))


def _season(temp_c: FloatArray, doy: float, latitude: float) -> tuple[float, float]:
    """Yearly mean and half swing of the temperature at a node.

    Notes
    -----
    A line on the seasonal cosine with a prior on the swing from the latitude; without latitude the swing is taken to
    be 0 unless the records show one. Days hang together, so a fortnight counts for little more than one day.
    """
    known = np.isfinite(temp_c)
    placed = np.isfinite(latitude)
    swing, swing_sd = (SWING_PER_DEGREE_C * latitude, SWING_SD_C) if placed else (0.0, SWING_UNKNOWN_SD_C)
    if not known.any():
        return 20.0, 0.0
    ago = np.arange(len(temp_c))[::-1][known]
    shape = -np.cos(2 * np.pi * (doy - ago - COLDEST_DOY) / D_PER_YEAR)
    variance = DAY_SD_C**2 * SHARED_D
    design = np.stack([np.ones(len(shape)), shape], axis=1)
    precision = design.T @ design / variance + np.diag([1.0 / 30.0**2, 1.0 / swing_sd**2])
    pull = design.T @ temp_c[known] / variance + np.array([10.0 / 30.0**2, swing / swing_sd**2])
    mean, half = np.linalg.solve(precision, pull)
    return float(mean), float(half)
