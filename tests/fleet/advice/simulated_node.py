"""One small simulated node for the tests of advice: a tide with noise, polled each minute."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fleet.frames import RECORD, SETTING
from fleet.messages import BandSettings
from fleet.profiles.profile import Banded, Battery, Coprocessor, Figure, Limits, Profile, Radio, Sleep, Wake

STEP_S = 60.0
START_S = 1.78e9
NOW = BandSettings(lo=-0.8, hi=0.8, hyst=0.0, sleep_s=3600.0, period_ms=60_000.0, avg=4)


def tide(days: float = 21.0, amplitude: float = 0.9) -> np.ndarray:
    t = np.arange(int(days * 1440)) * STEP_S
    return np.asarray(amplitude * np.cos(2 * np.pi * t / 44714.16) + 0.1 * np.cos(2 * np.pi * t / 43200.0))


def wakes_of(
    slow: np.ndarray, settings: BandSettings, noise_sd: float, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Steps and causes (0 timer, 1 low, 2 high) of all wakes, and the polls."""
    polls = slow + noise_sd * np.random.default_rng(seed).standard_normal(len(slow))
    assert settings.lo is not None and settings.hi is not None and settings.sleep_s is not None
    hyst = settings.hyst or 0.0
    sleep = int(settings.sleep_s / STEP_S)
    wakes, causes = [], []
    armed_low = armed_high = True
    last = 0
    for i, value in enumerate(polls.tolist()):
        armed_high = armed_high or value < settings.hi - hyst
        armed_low = armed_low or value > settings.lo + hyst
        cause = -1
        if armed_high and value > settings.hi:
            cause, armed_high = 2, False
        elif armed_low and value < settings.lo:
            cause, armed_low = 1, False
        elif i - last >= sleep:
            cause = 0
        if cause >= 0:
            wakes.append(i)
            causes.append(cause)
            last = i
    return np.array(wakes), np.array(causes), polls


def records(
    slow: np.ndarray, settings: BandSettings = NOW, *, noise_sd: float = 0.02, node_id: int = 1, summaries: bool = True
) -> pd.DataFrame:
    at, cause, polls = wakes_of(slow, settings, noise_sd, seed=1)
    count = len(at)
    columns: dict[str, np.ndarray] = {name: np.full(count, np.nan) for name in RECORD}
    columns |= {
        "node_id": np.full(count, node_id), "t": START_S + at * STEP_S, "arrived": START_S + at * STEP_S,
        "boot": np.ones(count),
        "seq": np.arange(count), "time_from": np.zeros(count), "cause": cause, "reading": polls[at],
        "set_id": np.full(count, node_id),
        "trial": np.zeros(count), "awake_ms": np.full(count, 2000.0),
    }  # fmt: skip
    if summaries:
        starts = np.concatenate([[0], at[:-1] + 1])
        pieces = [polls[a : b + 1] for a, b in zip(starts, at, strict=True)]
        columns |= {
            "asleep_n": np.array([float(len(p)) for p in pieces]), "asleep_min": np.array([p.min() for p in pieces]),
            "asleep_max": np.array([p.max() for p in pieces]), "asleep_mean": np.array([p.mean() for p in pieces]),
            "asleep_sd": np.array([p.std() for p in pieces]),
        }  # fmt: skip
    return pd.DataFrame(columns)[list(RECORD)].astype(RECORD)


def setting_rows(settings: BandSettings = NOW, *, node_id: int = 1) -> pd.DataFrame:
    names = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
    row = {name: getattr(settings, name) for name in names} | {"set_id": node_id, "node_id": node_id, "rev": 0}
    return pd.DataFrame([row])[list(SETTING)].astype(SETTING)


def profile(*, rearm: str = "edge", limits: Limits | None = None) -> Profile:
    return Profile(
        profile="p",
        sleep=Sleep(current_ua=Figure(9.0)),
        coprocessor=Coprocessor(run_ma=Figure(2.0), run_us=Figure(40.0), rearm=rearm),
        wake=Wake(current_ma=Figure(38.0), length_ms=Figure(350.0)),
        radio=Radio(current_ma=Figure(95.0), length_ms=Figure(1500.0)),
        battery=Battery(chemistry="alkaline", capacity_mah=Figure(2500.0), cutoff_mv=2000.0),
        banded=Banded(reading="level_v", event_s=1800.0, late_s=300.0),
        limits=limits
        or Limits(
            lo=(-1.4, 0.0),
            hi=(0.0, 1.4),
            gap_min=0.5,
            hyst=(0.0, 0.5),
            sleep_s=(300.0, 21_600.0),
            silence_s=86_400.0,
            period_ms=(60_000.0, 60_000.0),
            avg=(1, 16),
            alarm=(-1.3, 1.3),
        ),
    )
