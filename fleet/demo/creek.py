"""A creek of the demo: its level, its weather, its storms and its gateway, as functions of time and seed."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from fleet.demo.tide import tide
from fleet.units import S_PER_D, S_PER_MIN

FloatArray = NDArray[np.float64]
MINUTES_PER_D = 1440
YEAR_S = 365.25 * S_PER_D
WARMEST_S = 200 * S_PER_D  # about 20 July


@dataclass(frozen=True, kw_only=True)
class Storm:
    """A real surge that every node of the creek sees: not a fault."""

    onset_d: float
    length_d: float = 3.0
    height_v: float = 0.35


@dataclass(frozen=True, kw_only=True)
class Creek:
    """One site. Levels are in volts of the level sensor, as the nodes read them."""

    name: str = "North creek"
    latitude: float = 53.12
    longitude: float = 0.33
    mean_v: float = 0.95
    m2_v: float = 0.36
    s2_v: float = 0.12
    n2_v: float = 0.07
    k1_v: float = 0.04
    o1_v: float = 0.03
    phase_deg: float = 0.0
    surge_sd_v: float = 0.06
    surge_s: float = 1.5 * S_PER_D
    temp_mean_c: float = 11.0
    temp_season_c: float = 6.5
    temp_day_c: float = 3.0
    temp_weather_sd_c: float = 2.0
    storms: tuple[Storm, ...] = ()
    gateway_down_d: tuple[tuple[float, float], ...] = ()  # days since the start, from and to


def rng_of(seed: int, *parts: str | int) -> np.random.Generator:
    """A generator of its own for each named thing, so that adding one node does not change another."""
    words = [zlib.crc32(part.encode()) if isinstance(part, str) else part for part in parts]
    return np.random.Generator(np.random.SFC64([seed, *words]))


def wandering(count: int, step_s: float, *, sd: float, time_s: float, rng: np.random.Generator) -> FloatArray:
    """A stationary Ornstein-Uhlenbeck series sampled exactly. Shape (count,)

    >>> series = wandering(200_000, 1.0, sd=2.0, time_s=10.0, rng=rng_of(1))
    >>> bool(abs(series.std() - 2.0) < 0.1)
    True
    """
    rho = np.exp(-step_s / time_s)
    kick = rng.standard_normal(count)
    kick[0] /= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([sd * np.sqrt(1 - rho**2)], [1.0, -rho], kick), dtype=float)


@lru_cache(maxsize=64)
def level_v(creek: Creek, since_s: float, minutes: int, seed: int) -> FloatArray:
    """Level at the start of each minute: tide, surge, storms. [V], shape (minutes,)"""
    t_s = np.asarray(since_s + S_PER_MIN * np.arange(minutes), dtype=float)
    amplitude = {"M2": creek.m2_v, "S2": creek.s2_v, "N2": creek.n2_v, "K1": creek.k1_v, "O1": creek.o1_v}
    phase = {name: creek.phase_deg * (index + 1) for index, name in enumerate(amplitude)}
    level = creek.mean_v + tide(t_s, amplitude, phase) + _surge_v(creek, minutes, seed)
    for storm in creek.storms:
        passed = ((t_s - since_s) / S_PER_D - storm.onset_d) / storm.length_d
        level += storm.height_v * np.where((passed > 0) & (passed < 1), np.sin(np.pi * passed) ** 2, 0.0)
    level.setflags(write=False)
    return level


def _surge_v(creek: Creek, minutes: int, seed: int) -> FloatArray:
    """Weather-driven part of the level: wanders over days, smooth over an hour."""
    hours = minutes // 60 + 2
    surge = wandering(hours, 3600.0, sd=creek.surge_sd_v, time_s=creek.surge_s, rng=rng_of(seed, creek.name, 1))
    return np.interp(np.arange(minutes) / 60.0, np.arange(hours), surge)


@lru_cache(maxsize=64)
def air_temp_c(creek: Creek, since_s: float, minutes: int, seed: int) -> FloatArray:
    """Air temperature on a grid of ten minutes: season, day and weather. [°C], shape (minutes // 10 + 2,)"""
    count = minutes // 10 + 2
    t_s = since_s + 600.0 * np.arange(count)
    season = creek.temp_season_c * np.cos(2 * np.pi * (t_s - WARMEST_S) / YEAR_S)
    day = creek.temp_day_c * np.cos(2 * np.pi * (t_s / S_PER_D - 15 / 24))  # warmest at 15 h
    weather = wandering(count, 600.0, sd=creek.temp_weather_sd_c, time_s=2 * S_PER_D, rng=rng_of(seed, creek.name, 2))
    temp = np.asarray(creek.temp_mean_c + season + day + weather, dtype=float)
    temp.setflags(write=False)
    return temp
