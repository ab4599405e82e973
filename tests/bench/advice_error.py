"""How wrong what-if and advice are, on sensed processes that nothing in fleet/advice was fitted to.

Run: python tests/bench/advice_error.py [nodes] [seed]. Each node is a process of its own kind (Ornstein-Uhlenbeck with
noise, tide with surge, daily cycle with storms, skewed), edge- or level-rearmed, with or without sleep summaries, with
lost records. Truth is the same slow reading under other settings with new noise.
"""

from __future__ import annotations

import itertools
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec
import numpy as np
import pandas as pd
from scipy.signal import lfilter

from fleet.advice.choose import Target, choose
from fleet.advice.fleet import ask, known_node
from fleet.advice.search import search
from fleet.frames import RECORD, SETTING
from fleet.messages import BandSettings
from fleet.profiles.profile import Banded, Battery, Coprocessor, Figure, Limits, Profile, Radio, Sleep, Wake

DAYS = 28.0
KINDS = ("ou_noise", "tide_ou", "daily_storms", "skewed", "fast_ou")


@dataclass(frozen=True)
class World:
    """One simulated node: its slow reading on a fine grid and how it is read."""

    kind: str
    step_s: float
    slow: np.ndarray
    noise_sd: float
    settings: BandSettings
    level: bool
    holdoff_s: float
    restarts: bool
    summaries: bool
    loss: float
    wave_sd: float = 0.0
    wave_s: float = 30.0


@dataclass(frozen=True)
class Run:
    """Wakes of a world: step index, cause (0 timer, 1 low, 2 high), and every poll."""

    at: np.ndarray
    cause: np.ndarray
    polls: np.ndarray


def wandering(rng: np.random.Generator, count: int, step_s: float, sd: float, tau_s: float) -> np.ndarray:
    rho = np.exp(-step_s / tau_s)
    kick = rng.standard_normal(count)
    kick[0] /= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([sd * np.sqrt(1 - rho**2)], [1.0, -rho], kick))


def make_world(rng: np.random.Generator, *, days: float = DAYS) -> World:
    kind = str(rng.choice(KINDS))
    step_s = float(rng.choice([5.0, 10.0, 30.0, 60.0]))
    count = int(days * 86400 / step_s)
    t = np.arange(count) * step_s
    scale = float(rng.choice([0.3, 1.0, 20.0]))
    if kind == "ou_noise":
        slow = wandering(rng, count, step_s, 1.0, float(rng.uniform(3, 48)) * 3600)
    elif kind == "fast_ou":
        slow = wandering(rng, count, step_s, 1.0, float(rng.uniform(0.3, 2)) * 3600)
    elif kind == "tide_ou":
        slow = (
            rng.uniform(0.7, 1.3) * np.cos(2 * np.pi * t / 44714.16 + rng.uniform(0, 6))
            + rng.uniform(0.1, 0.4) * np.cos(2 * np.pi * t / 43200 + rng.uniform(0, 6))
            + rng.uniform(0, 0.2) * np.cos(2 * np.pi * t / 86164 + rng.uniform(0, 6))
            + wandering(rng, count, step_s, rng.uniform(0.1, 0.4), float(rng.uniform(6, 40)) * 3600)
        )
    elif kind == "daily_storms":
        slow = rng.uniform(0.5, 1.0) * np.cos(2 * np.pi * t / 86400 + rng.uniform(0, 6))
        slow += wandering(rng, count, step_s, 0.3, float(rng.uniform(4, 30)) * 3600)
        for begin in rng.uniform(0, t[-1], rng.poisson(days / 2.5)):
            length = rng.uniform(1.5, 12) * 3600
            inside = (t >= begin) & (t < begin + 5 * length)
            slow[inside] += (
                rng.exponential(1.0) * ((t[inside] - begin) / length) * np.exp(1 - (t[inside] - begin) / length)
            )
    else:
        slow = np.exp(0.6 * wandering(rng, count, step_s, 1.0, float(rng.uniform(3, 30)) * 3600))
        slow += 0.2 * np.cos(2 * np.pi * t / 86400)
    slow = slow * scale
    low, high = np.quantile(slow, [rng.uniform(0.005, 0.2), 1 - rng.uniform(0.005, 0.2)])
    spread = float(slow.std())
    noise_sd = spread * float(rng.choice([0.01, 0.03, 0.08]))
    hyst = float(rng.choice([0.0, 1.0, 3.0, 6.0])) * noise_sd
    settings = BandSettings(
        lo=float(low),
        hi=float(high),
        hyst=hyst,
        sleep_s=float(rng.choice([600, 1800, 3600, 10800])),
        period_ms=step_s * 1000,
        avg=4,
    )
    return World(
        kind=kind,
        step_s=step_s,
        slow=slow,
        noise_sd=noise_sd,
        settings=settings,
        level=bool(rng.random() < 0.25),
        holdoff_s=float(rng.choice([300.0, 900.0, 1800.0])),
        restarts=bool(rng.random() < 0.7),
        summaries=bool(rng.random() < 0.6),
        loss=float(rng.choice([0.0, 0.02, 0.1])),
        wave_sd=spread * float(rng.choice([0.0, 0.0, 0.02])),
    )


def run_world(world: World, settings: BandSettings, rng: np.random.Generator) -> Run:
    count = len(world.slow)
    noise_sd = world.noise_sd * np.sqrt(4 / (settings.avg or 4))
    polls = world.slow + noise_sd * rng.standard_normal(count)
    if world.wave_sd:
        polls += wandering(rng, count, world.step_s, world.wave_sd, world.wave_s)
    every = max(1, round((settings.period_ms or 1000 * world.step_s) / 1000 / world.step_s))
    looked = np.arange(count) % every == 0
    marks = [
        edge_marks(polls > settings.hi, polls < settings.hi - settings.hyst, looked, world),
        edge_marks(polls < settings.lo, polls > settings.lo + settings.hyst, looked, world),
    ]
    at = np.concatenate(marks)
    cause = np.repeat([2, 1], [len(mark) for mark in marks])
    order = np.argsort(at, kind="stable")
    at, cause = at[order], cause[order]
    sleep = max(1, round((settings.sleep_s or 3600) / world.step_s))
    if world.restarts:
        edges = np.concatenate([[0], at, [count]])
        timers = [np.arange(a + sleep, b, sleep) for a, b in itertools.pairwise(edges)]
        timer = np.concatenate(timers) if timers else np.empty(0, int)
    else:
        timer = np.arange(sleep, count, sleep)
    at, cause = np.concatenate([at, timer]), np.concatenate([cause, np.zeros(len(timer), int)])
    order = np.lexsort((-cause, at))
    at, cause = at[order], cause[order]
    keep = np.concatenate([[True], np.diff(at) > 0])
    return Run(at[keep].astype(int), cause[keep], polls)


def edge_marks(out: np.ndarray, inside: np.ndarray, looked: np.ndarray, world: World) -> np.ndarray:
    """Steps at which one edge wakes the node."""
    out, inside = out & looked, inside & looked
    hold = round(world.holdoff_s / world.step_s)
    if world.level:
        marks, next_at = [], 0
        for i in np.flatnonzero(out).tolist():
            if i >= next_at:
                marks.append(i)
                next_at = i + max(hold, 1)
        return np.array(marks, int)
    telling = np.flatnonzero(out | inside)
    if not len(telling):
        return telling
    was = np.concatenate([[False], out[telling][:-1]])
    return telling[out[telling] & ~was]


def records_of(world: World, run: Run, rng: np.random.Generator) -> pd.DataFrame:
    count = len(run.at)
    columns: dict[str, np.ndarray] = {name: np.full(count, np.nan) for name in RECORD}
    t = 1.78e9 + run.at * world.step_s
    columns |= {
        "node_id": np.ones(count),
        "t": t,
        "arrived": t + 2,
        "boot": np.ones(count),
        "seq": np.arange(count),
        "time_from": np.zeros(count),
        "cause": run.cause,
        "reading": run.polls[run.at],
        "set_id": np.zeros(count),
        "trial": np.zeros(count),
        "awake_ms": np.full(count, 2000.0),
    }
    if world.summaries:
        starts = np.concatenate([[0], run.at[:-1] + 1])
        ends = run.at + 1
        n = (ends - starts).astype(float)
        sums = np.concatenate([[0.0], np.cumsum(run.polls)])
        squares = np.concatenate([[0.0], np.cumsum(run.polls**2)])
        mean = (sums[ends] - sums[starts]) / n
        var = np.maximum((squares[ends] - squares[starts]) / n - mean**2, 0)
        columns |= {
            "asleep_n": n,
            "asleep_mean": mean,
            "asleep_sd": np.sqrt(var),
            "runs": n,
            "asleep_min": np.minimum.reduceat(run.polls, starts),
            "asleep_max": np.maximum.reduceat(run.polls, starts),
        }
    frame = pd.DataFrame(columns)[list(RECORD)].astype(RECORD)
    return frame[rng.random(count) >= world.loss].reset_index(drop=True)


def profile_of(world: World) -> Profile:
    return Profile(
        profile="p",
        sleep=Sleep(current_ua=Figure(9.0)),
        coprocessor=Coprocessor(
            run_ma=Figure(2.0),
            run_us=Figure(40.0),
            rearm="level" if world.level else "edge",
            holdoff_s=world.holdoff_s if world.level else None,
        ),
        wake=Wake(current_ma=Figure(38.0), length_ms=Figure(350.0)),
        radio=Radio(current_ma=Figure(95.0), length_ms=Figure(1500.0)),
        battery=Battery(chemistry="alkaline", capacity_mah=Figure(2500.0), cutoff_mv=2000.0),
        banded=Banded(reading="x", event_s=1800.0, late_s=300.0),
        limits=Limits(),
    )


def true_events_seen(world: World, run: Run, new: BandSettings, *, any_cause: bool) -> tuple[float, int]:
    """Share of stays of the slow reading outside the present band, 1,800 s or longer, told within 300 s."""
    late = round(300 / world.step_s)
    seen: list[bool] = []
    for high in (False, True):
        outside = world.slow > world.settings.hi if high else world.slow < world.settings.lo
        edge = np.diff(outside.astype(int), prepend=0, append=0)
        first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
        keep = ((last - first + 1) * world.step_s >= 1800) & (first > 0)
        mine = run.at if any_cause else run.at[run.cause == (2 if high else 1)]
        for begin in first[keep]:
            wake = mine[max(0, np.searchsorted(mine, begin + late, side="right") - 1)] if len(mine) else -1
            if not 0 <= wake <= begin + late:
                seen.append(False)
                continue
            since = world.slow[wake : begin + late + 1]
            rearm = new.hi - new.hyst - 3 * world.noise_sd if high else new.lo + new.hyst + 3 * world.noise_sd
            held = (since >= rearm).all() if high else (since <= rearm).all()
            seen.append(bool(wake >= begin or (not any_cause and held)))
    return (float(np.mean(seen)), len(seen)) if seen else (float("nan"), 0)


def questions(world: World, rng: np.random.Generator) -> list[dict[str, float]]:
    now = world.settings
    width = now.hi - now.lo
    return [
        {"hyst": now.hyst + float(rng.choice([2, 5])) * world.noise_sd},
        {"lo": now.lo - rng.uniform(0.02, 0.15) * width, "hi": now.hi + rng.uniform(0.02, 0.15) * width},
        {"hi": now.hi - rng.uniform(0.02, 0.15) * width},
        {"sleep_s": now.sleep_s * float(rng.choice([0.5, 2, 4]))},
        {"lo": now.lo - 0.06 * width, "hyst": now.hyst + 3 * world.noise_sd, "sleep_s": now.sleep_s * 2},
        {"avg": 16},
    ]


def measure(nodes_count: int, seed: int) -> pd.DataFrame:
    rows = []
    for number in range(nodes_count):
        rng = np.random.default_rng([seed, number])
        world = make_world(rng)
        run = run_world(world, world.settings, rng)
        if len(run.at) > 60_000:
            continue
        records = records_of(world, run, rng)
        settings = setting_frame(world.settings)
        begin = time.perf_counter()
        known = known_node(records, settings, {"node_id": 1}, profile_of(world), {})
        fit_s = time.perf_counter() - begin
        if known is None:
            continue
        for question in questions(world, rng):
            told = ask(known, question)
            new = told.settings
            real = run_world(world, new, np.random.default_rng([seed, number, 99]))
            seen, events_count = true_events_seen(world, real, new, any_cause=False)
            rows.append(
                {
                    "node": number,
                    "kind": world.kind,
                    "what": "+".join(question),
                    "step": world.step_s,
                    "level": world.level,
                    "summaries": world.summaries,
                    "now": len(run.at) / DAYS,
                    "told": told.wakes_per_day.mid,
                    "lo": told.wakes_per_day.lo,
                    "hi": told.wakes_per_day.hi,
                    "true": len(real.at) / DAYS,
                    "band": told.by_cause["band_low"] + told.by_cause["band_high"],
                    "true_band": (real.cause > 0).sum() / DAYS,
                    "timer": told.by_cause["timer"],
                    "true_timer": (real.cause == 0).sum() / DAYS,
                    "seen": told.events_seen.mid,
                    "true_seen": seen,
                    "events": events_count,
                    "method": told.method,
                    "fit_s": fit_s,
                    "match": known.model.match[0].chatter,
                    "match_hi": known.model.match[1].chatter,
                    "ripple": known.model.ripple.sd / world.noise_sd,
                    "now_band": (run.cause > 0).sum() / DAYS,
                }
            )
    return pd.DataFrame(rows)


def summary(frame: pd.DataFrame) -> pd.Series:
    error = (frame["told"] / frame["true"] - 1).abs()
    band = (np.log((frame["band"] + 0.2) / (frame["true_band"] + 0.2))).abs()
    return pd.Series(
        {
            "n": len(frame),
            "median": error.median(),
            "p90": error.quantile(0.9),
            "band_log_median": band.median(),
            "band_log_p90": band.quantile(0.9),
            "covered": ((frame["true"] >= frame["lo"]) & (frame["true"] <= frame["hi"])).mean(),
            "seen_error": (frame["seen"] - frame["true_seen"]).abs().median(),
            "seen_p90": (frame["seen"] - frame["true_seen"]).abs().quantile(0.9),
        }
    )


def measure_advice(nodes_count: int, seed: int) -> pd.DataFrame:
    """Whether the settings advised for a wake budget keep it when the same world runs under them."""
    rows = []
    for number in range(nodes_count):
        rng = np.random.default_rng([seed, number, 5])
        world = make_world(rng)
        run = run_world(world, world.settings, rng)
        if len(run.at) > 60_000:
            continue
        now, width = world.settings, world.settings.hi - world.settings.lo
        limits = Limits(
            lo=(now.lo - 0.4 * width, now.hi),
            hi=(now.lo, now.hi + 0.4 * width),
            gap_min=0.1 * width,
            hyst=(0.0, 0.4 * width),
            sleep_s=(300.0, 21600.0),
            avg=(1, 32),
            period_ms=(now.period_ms, now.period_ms),
        )
        profile = msgspec.structs.replace(profile_of(world), limits=limits)
        known = known_node(records_of(world, run, rng), setting_frame(now), {"node_id": 1}, profile, {})
        if known is None:
            continue
        target = Target(wakes_per_day=len(run.at) / DAYS * float(rng.uniform(0.15, 0.8)))
        options = search(known.model, known.seen.now, profile, known.budget)
        choice = choose(options, target, as_of_at=datetime(2026, 1, 1, tzinfo=UTC))
        if choice.option is None:
            continue
        new = choice.option.result.settings
        real = run_world(world, new, np.random.default_rng([seed, number, 98]))
        made = len(real.at) / DAYS
        told = choice.option.result.wakes_per_day
        rows.append(
            {
                "node": number,
                "kind": world.kind,
                "reached": choice.reached,
                "target": target.wakes_per_day,
                "true": made,
                "told": told.mid,
                "hi": told.hi,
                "met": made <= target.wakes_per_day,
                "seen": choice.option.result.events_seen.mid,
                "changes": choice.option.changes_count,
                "before": len(run.at) / DAYS,
            }
        )
    return pd.DataFrame(rows)


def setting_frame(settings: BandSettings) -> pd.DataFrame:
    names = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
    row = {name: getattr(settings, name) for name in names} | {"set_id": 0, "node_id": 1, "rev": 0}
    return pd.DataFrame([row])[list(SETTING)].astype(SETTING)


if __name__ == "__main__":
    table = measure(int(sys.argv[1]) if len(sys.argv) > 1 else 60, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    pd.set_option("display.width", 220)
    pd.set_option("display.max_columns", 40)
    print(summary(table).round(3).to_dict())
    for by in ("kind", "what", "level", "summaries", "step"):
        print(table.groupby(by).apply(summary, include_groups=False).round(3))
    advised = measure_advice(
        int(sys.argv[1]) if len(sys.argv) > 1 else 60, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    )
    print(
        "advice met its target in",
        round(float(advised[advised["reached"]]["met"].mean()), 3),
        "of",
        int(advised["reached"].sum()),
    )
    if len(sys.argv) > 3:
        print(advised[~advised["met"]].round(2).to_string())
        table["off"] = (table["told"] / table["true"] - 1).abs()
        print(table.sort_values("off").tail(30).round(3).to_string())
