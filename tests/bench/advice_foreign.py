"""`what_if_answers` on fleets of another make than its own bench: any unit, one or two edges, no clock, lost records.

Run: python -m tests.bench.advice_foreign [nodes] [seed]. Prints errors, coverage, and how many
answers are missing or not in order.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from fleet.frames import DAY, RECORD, SETTING, empty_frame
from fleet.jobs.analyse import Evidence
from fleet.jobs.deployment import Deployment
from fleet.jobs.what_if import what_if_answers
from fleet.messages import BandSettings
from fleet.profiles.profile import Banded, Battery, Coprocessor, Figure, Limits, Profile, Radio, Sleep, Wake

STEP_S = 10.0
START_S = 1.77e9


def slow_reading(rng: np.random.Generator, days: int) -> np.ndarray:
    """Tide, day and wandering of a random make, smooth at the step."""
    n = int(days * 86_400 / STEP_S)
    t = np.arange(n) * STEP_S
    tau_s, share = float(rng.uniform(3, 60)) * 3600, rng.dirichlet([1.0, 1.0, 1.5])
    gain = np.exp(-STEP_S * 30 / tau_s)
    coarse = np.zeros(n // 30 + 2)
    kicks = rng.standard_normal(len(coarse)) if rng.random() < 0.7 else rng.standard_t(4, len(coarse)) / 2**0.5
    for i in range(1, len(coarse)):
        coarse[i] = gain * coarse[i - 1] + (1 - gain**2) ** 0.5 * kicks[i]
    wander = np.interp(t, np.arange(len(coarse)) * STEP_S * 30, coarse)
    tide = np.cos(2 * np.pi * t / 44_714.16 + 1.0) + 0.3 * np.cos(2 * np.pi * t / 43_200.0)
    day = np.cos(2 * np.pi * t / 86_400.0 + 2.0)
    return np.asarray(np.sqrt(2) * (share[0] * tide + share[1] * day) + share[2] * wander)


def wakes(
    slow: np.ndarray, noise: np.ndarray, settings: BandSettings, *, hold_s: float, level: bool
) -> tuple[Any, Any, Any]:
    """Steps and causes, poll by poll, and from where to where each edge was tripped."""
    value = (slow + noise * np.sqrt(8 / (settings.avg or 8))).tolist()
    lo = -np.inf if settings.lo is None else settings.lo
    hi = np.inf if settings.hi is None else settings.hi
    hyst, sleep = settings.hyst or 0.0, int((settings.sleep_s or 3600) / STEP_S)
    every = max(1, round((settings.period_ms or 100) / 1000 / STEP_S))
    hold = max(1, int(hold_s / STEP_S))
    at, cause, armed = [], [], [True, True]
    tripped = np.zeros((2, len(value)), bool)
    last, free = 0, 0
    for i, v in enumerate(value):
        if i % every == 0:
            armed[0] = armed[0] or v > lo + hyst
            armed[1] = armed[1] or v < hi - hyst
            tripped[0, i : i + every], tripped[1, i : i + every] = not armed[0], not armed[1]
            out = 1 if v < lo else 2 if v > hi else 0
            if out and i >= free and (level or armed[out - 1]):
                armed[out - 1] = False
                at.append(i)
                cause.append(out)
                last, free = i, i + hold
                continue
        if i - last >= sleep:
            at.append(i)
            cause.append(0)
            last = i
    return np.array(at, int), np.array(cause, int), tripped


def record_frame(
    at: np.ndarray,
    cause: np.ndarray,
    value: np.ndarray,
    rng: np.random.Generator,
    *,
    asleep: bool,
    clock: bool,
    loss: float,
) -> pd.DataFrame:
    n = len(at)
    columns: dict[str, Any] = {name: np.full(n, np.nan) for name in RECORD}
    t = START_S + at * STEP_S
    heard = t + rng.exponential(3.0, n) + 2.0
    columns |= {
        "node_id": np.ones(n),
        "t": t if clock else heard - 2.5,
        "arrived": heard,
        "boot": np.ones(n),
        "seq": np.arange(n),
        "time_from": np.zeros(n) if clock else np.full(n, 3),
        "clock_t": t if clock else np.full(n, np.nan),
        "cause": cause,
        "reading": np.round(value[at], 6),
        "set_id": np.zeros(n),
        "trial": np.zeros(n),
        "awake_ms": rng.normal(2000, 100, n),
    }
    if asleep and n:
        starts = np.concatenate([[0], at[:-1] + 1])
        ends = at + 1
        size = (ends - starts).astype(float)
        one, two = np.concatenate([[0], np.cumsum(value)]), np.concatenate([[0], np.cumsum(value**2)])
        mean = (one[ends] - one[starts]) / size
        columns |= {
            "asleep_n": size,
            "runs": size,
            "asleep_mean": mean,
            "asleep_sd": np.sqrt(np.maximum((two[ends] - two[starts]) / size - mean**2, 0)),
            "asleep_min": np.minimum.reduceat(value, starts),
            "asleep_max": np.maximum.reduceat(value, starts),
        }
    frame = pd.DataFrame(columns)[list(RECORD)].astype(RECORD)
    return frame[rng.random(n) >= loss].reset_index(drop=True)


def true_seen(slow: np.ndarray, now: BandSettings, made: tuple[Any, Any, Any]) -> tuple[float, int]:
    """Share of stays of 1,800 s or more outside the present band that have woken the node within 300 s of the start.

    An edge tripped by the same excursion before the event began counts: that wake told it.
    """
    at, cause, tripped = made
    seen, late = [], 300 / STEP_S
    for which, edge in ((1, now.lo), (2, now.hi)):
        if edge is None:
            continue
        out = slow < edge if which == 1 else slow > edge
        turn = np.diff(out.astype(int), prepend=0, append=0)
        first, after = np.flatnonzero(turn == 1), np.flatnonzero(turn == -1)
        mine = at[cause == which]
        for a, b in zip(first, after, strict=True):
            if (b - a) * STEP_S >= 1800 and a > 0:
                i = np.searchsorted(mine, a)
                seen.append(bool(tripped[which - 1, a] or (i < len(mine) and mine[i] <= a + late)))
    return (float(np.mean(seen)), len(seen)) if seen else (float("nan"), 0)


def profile(level: bool, hold_s: float) -> Profile:
    return Profile(
        profile="p",
        sleep=Sleep(current_ua=Figure(9.0)),
        coprocessor=Coprocessor(
            run_ma=Figure(2.0),
            run_us=Figure(40.0),
            rearm="level" if level else "edge",
            holdoff_s=hold_s if level else None,
        ),
        wake=Wake(current_ma=Figure(38.0), length_ms=Figure(350.0)),
        radio=Radio(current_ma=Figure(95.0), length_ms=Figure(1500.0)),
        battery=Battery(chemistry="alkaline", capacity_mah=Figure(2500.0), cutoff_mv=2000.0),
        banded=Banded(reading="x", event_s=1800.0, late_s=300.0),
        limits=Limits(),
    )


def one_node(seed: int, number: int) -> list[dict[str, Any]]:
    rng = np.random.default_rng([seed, number])
    days = int(rng.choice([30, 45, 90]))
    slow = slow_reading(rng, days)
    scale, shift = [(1.0, 0.0), (0.4, 1.2), (30.0, 50.0), (4000.0, 20_000.0)][rng.integers(4)]
    slow = slow * scale + shift
    noise = float(rng.choice([0.003, 0.02, 0.06])) * float(slow.std()) * rng.standard_normal(len(slow))
    low, high = np.quantile(slow, [rng.uniform(0.01, 0.15), 1 - rng.uniform(0.01, 0.15)])
    edges = rng.choice(["both", "both", "lo", "hi"])
    now = BandSettings(
        lo=None if edges == "hi" else float(low),
        hi=None if edges == "lo" else float(high),
        hyst=float(rng.choice([0.0, 0.0, 2.0, 5.0])) * float(noise.std()),
        sleep_s=float(rng.choice([300, 900, 3600, 7200, 21_600])),
        period_ms=float(rng.choice([50, 100, 500, 2000])),
        avg=int(rng.choice([1, 4, 8, 32])),
    )
    level, hold_s = bool(rng.random() < 0.2), float(rng.choice([300.0, 900.0]))
    noise = noise * np.sqrt((now.avg or 8) / 8)  # the spread chosen is that of a poll as averaged now
    at, cause, _ = wakes(slow, noise, now, hold_s=hold_s if level else 0, level=level)
    asleep, clock, loss = bool(rng.random() < 0.5), bool(rng.random() < 0.7), float(rng.choice([0.0, 0.05, 0.25]))
    if len(at) > 40_000:
        return []
    value = slow + noise * np.sqrt(8 / (now.avg or 8))
    records = record_frame(at, cause, value, rng, asleep=asleep, clock=clock, loss=loss)
    width, sd = (
        float(np.subtract(*np.quantile(slow, [0.95, 0.05]))),
        float(value.std() * 0 + noise.std() * np.sqrt(8 / (now.avg or 8))),
    )
    asked: list[dict[str, Any]] = [
        {},
        {"hyst": (now.hyst or 0) + 3 * sd},
        {"sleep_s": float(rng.choice([300, 1800, 21_600]))},
    ]
    asked.append({"avg": 32 if (now.avg or 1) < 16 else 4})
    away = rng.uniform(0.02, 0.12) * width
    asked.append(
        {k: v for k, v in {"lo": now.lo and now.lo - away, "hi": now.hi and now.hi + away}.items() if v is not None}
    )
    asked.append(
        {k: v for k, v in {"lo": now.lo and now.lo + away, "hi": now.hi and now.hi - away}.items() if v is not None}
    )
    names = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
    row = {name: getattr(now, name) for name in names} | {"set_id": 0, "node_id": 1, "rev": 0}
    settings = pd.DataFrame([row])[list(SETTING)].astype(SETTING)
    nodes = pd.DataFrame([{"node_id": 1, "node": "a", "profile": "p", **dict.fromkeys(names, np.nan)}])
    deployment = Deployment(nodes, {"p": profile(level, hold_s)}, {}, pd.DataFrame())
    evidence = Evidence(empty_frame(DAY), records, settings, pd.DataFrame(), {})
    begin = time.perf_counter()
    answers = what_if_answers(
        [("a", BandSettings(**one)) for one in asked], evidence, pd.DataFrame({"node_id": []}), deployment
    )["a"]
    took = time.perf_counter() - begin
    rows = []
    whats = ("same", "hyst", "sleep_s", "avg", "edges out", "edges in")
    for what, one, told in zip(whats, asked, answers, strict=True):
        new = msgspec.structs.replace(now, **one)
        made = wakes(slow, noise, new, hold_s=hold_s if level else 0, level=level)
        seen, events = true_seen(slow, now, made)
        rows.append(
            {
                "node": number,
                "what": what,
                "days": days,
                "scale": scale,
                "edges": edges,
                "asleep": asleep,
                "clock": clock,
                "loss": loss,
                "level": level,
                "avg": now.avg,
                "sleep": now.sleep_s,
                "noise": sd / float(slow.std()),
                "hyst": (now.hyst or 0) / sd,
                "took": took,
                "band_now": (cause > 0).sum() / days,
                "told": told["wakes_per_day"],
                "lo": told["wakes_per_day_lo"],
                "hi": told["wakes_per_day_hi"],
                "true": len(made[0]) / days,
                "now": len(at) / days,
                "seen": told["events_seen"],
                "seen_lo": told["events_seen_lo"],
                "seen_hi": told["events_seen_hi"],
                "true_seen": seen,
                "events": events,
                "drain": told["drain_mah_per_day"],
                "d_lo": told["drain_mah_per_day_lo"],
                "d_hi": told["drain_mah_per_day_hi"],
                "method": told["method"],
            }
        )
    return rows


def summary(frame: pd.DataFrame) -> pd.Series:
    error = (frame["told"] / frame["true"] - 1).abs()
    ordered = (frame["lo"] <= frame["told"]) & (frame["told"] <= frame["hi"])
    off = (frame["seen"] - frame["true_seen"]).abs()
    return pd.Series(
        {
            "n": len(frame),
            "none": frame["told"].isna().sum(),
            "disorder": (~ordered & frame["told"].notna()).sum(),
            "median": error.median(),
            "p90": error.quantile(0.9),
            "covered": ((frame["true"] >= frame["lo"]) & (frame["true"] <= frame["hi"]))[frame["told"].notna()].mean(),
            "seen_none": (frame["seen"].isna() & frame["true_seen"].notna()).sum(),
            "seen_median": off.median(),
            "seen_p90": off.quantile(0.9),
            "bias": (frame["seen"] - frame["true_seen"]).mean(),
        }
    )


if __name__ == "__main__":
    count, seed = (int(value) for value in [*sys.argv[1:], "40", "1"][:2])
    table = pd.DataFrame([row for number in range(count) for row in one_node(seed, number)])
    pd.set_option("display.width", 250, "display.max_columns", 40, "display.max_rows", 200)
    table[["told", "lo", "hi", "seen", "drain"]] = table[["told", "lo", "hi", "seen", "drain"]].astype(float)
    print(summary(table).round(3).to_dict())
    for by in ("what", "asleep", "clock", "loss", "level", "edges", "scale", "sleep", "avg"):
        print(pd.DataFrame({key: summary(rows) for key, rows in table.groupby(by)}).T.round(3))
    table["off"] = (table["told"] / table["true"] - 1).abs()
    print(table.sort_values("off").tail(25).drop(columns=["method", "took", "d_lo", "d_hi"]).round(3).to_string())
    print(table["method"].value_counts(), table["took"].describe())
