"""Fleets with seeded faults for the flag bench: records made straight from rates, apart from `fleet.demo`.

Nodes differ in interval, cell, loss and in the optional keys they send; sites have storms, outages and told changes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleet.frames import NODE, RECORD, SETTING
from fleet.profiles.profile import Banded, Battery, Figure, Limits, Measure, Profile, Radio, Sleep, Wake
from fleet.wire_time import place_in_time
from fleet.words import Cause

FloatArray = npt.NDArray[np.float64]
S_PER_D = 86_400.0
FIRST_DAY = 20_500
OPTIONAL = ("asleep", "tries", "radio_ms", "up_s", "late_s", "temp_c", "rssi_dbm", "set", "batt_mv")
LOSS, LOSS_ODDS = (0, 0.01, 0.03, 0.1, 0.25), (0.2, 0.3, 0.3, 0.15, 0.05)
NUMBERS = ("latitude", "longitude", "fitted", "lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
KINDS = (
    "wakes_often", "edge_chatter", "crash_loop", "brownouts", "radio_struggle", "stuck_reading", "clock_unset",
    "clock_drift", "clock_jump", "clock_zone", "gone_quiet", "records_missing", "sleep_leak", "weak_cell", "swap_seen",
    "ids_crossed",
)  # fmt: skip
FLAG_OF = {"clock_unset": "clock_wrong", "clock_drift": "clock_wrong", "clock_jump": "clock_wrong"}
FLAG_OF["clock_zone"] = "clock_wrong"
CELLS = {
    "alkaline": (2, 2500.0, 2000.0),
    "li-socl2": (1, 2400.0, 2900.0),
    "li-ion": (1, 3000.0, 3200.0),
    "li-mno2": (1, 1500.0, 2300.0),
}


@dataclass(frozen=True)
class Made:
    """What the tool may see, and `truth`: node_id, kind, onset day (days since 1970)."""

    records: dict[str, np.ndarray]
    settings: pd.DataFrame
    nodes: pd.DataFrame
    events: pd.DataFrame
    profiles: dict[str, Profile]
    truth: pd.DataFrame
    days: int


@dataclass
class _Node:
    number: int
    site: int
    profile: Profile
    sleep_s: float
    loss: float
    keys: dict[str, bool]
    kind: str = ""
    onset: float = np.inf
    size: float = 0.0
    start: float = 0.0
    swap: float = np.nan
    told: bool = True
    change: float = np.nan
    parts: dict[str, FloatArray] = field(default_factory=dict)


def profiles() -> dict[str, Profile]:
    """One kind of node a chemistry."""
    made = {}
    for name, (series, capacity, cutoff) in CELLS.items():
        made[name] = Profile(
            profile=name,
            sleep=Sleep(current_ua=Figure(12.0, 2.0)),
            wake=Wake(current_ma=Figure(30.0, 3.0), length_ms=Figure(400.0, 80.0)),
            radio=Radio(current_ma=Figure(90.0, 9.0), length_ms=Figure(1800.0, 400.0)),
            battery=Battery(
                chemistry=name, series=series, capacity_mah=Figure(capacity, 0.06 * capacity), cutoff_mv=cutoff
            ),
            measure=Measure(gain_sd=0.01, step_mv=5.0),
            banded=Banded(reading="x"),
            limits=Limits(),
        )  # fmt: skip
    return made


def rest_mv(chemistry: str, used: FloatArray, temp_c: FloatArray) -> FloatArray:
    """Pack voltage at rest; shapes are common practice, no source."""
    d = np.clip(used, 0.0, 1.15)
    knee = np.maximum(d - 0.92, 0.0) / 0.08
    if chemistry == "alkaline":
        return 2 * (1590 - 390 * d**0.85 - 130 * knee**2) + 2 * 0.35 * (temp_c - 20)
    if chemistry == "li-ion":
        return 4150 - 520 * d**0.9 - 420 * knee**2 + 0.3 * (temp_c - 20)
    if chemistry == "li-mno2":
        return 3180 - 330 * d**1.3 - 420 * knee**2 + 0.4 * (temp_c - 20)
    return 3660 - 35 * d - 700 * knee**2 + 0.6 * (temp_c - 20)


def make_fleet(n_nodes: int, days: int, seed: int, *, faulty: float = 0.15, clockless: float = 0.1) -> Made:
    """A fleet; the same arguments give the same records."""
    rng = np.random.default_rng(seed)
    kinds = profiles()
    nodes: list[_Node] = []
    site_size = 12
    n_sites = max(1, n_nodes // site_size)
    site_kind = [list(kinds.values())[index % len(kinds)] for index in range(n_sites)]
    site_sleep = rng.choice([900.0, 1800, 3600, 3600, 7200, 21600], n_sites)
    if n_sites > 8:
        site_sleep[3] = 300.0
    for number in range(1, n_nodes + 1):
        site = (number - 1) % n_sites
        keys = {name: bool(np.random.default_rng((seed, site, index)).random() < 0.75) for index, name in
                enumerate(OPTIONAL)}  # fmt: skip
        keys["clock"] = np.random.default_rng((seed, site, 77)).random() > clockless
        loss = float(rng.choice(LOSS, p=LOSS_ODDS))
        nodes.append(_Node(number, site, site_kind[site], float(site_sleep[site]), loss, keys))
        one = nodes[-1]
        one.start = float(rng.choice([0.0, rng.uniform(0, 0.3 * days)], p=[0.8, 0.2]))
        if rng.random() < 0.05:
            one.swap = float(rng.uniform(one.start + 20, days - 5))
        if rng.random() < 0.08 and keys["set"]:  # untold and unreported, a new interval is a rise like any other
            one.change = float(rng.uniform(one.start + 10, days - 3))
    chosen = rng.permutation(n_nodes)[: round(faulty * n_nodes)]
    for place, index in enumerate(chosen):
        _seed_fault(nodes[index], KINDS[place % len(KINDS)], days, rng)
    sites = [_site(days, rng) for _ in range(n_sites)]
    frames = [_wakes(one, sites[one.site], days, np.random.default_rng((seed, one.number))) for one in nodes]
    partners = _cross(nodes, frames)
    columns = {name: np.concatenate([frame[name] for frame in frames]) for name in frames[0]}
    columns = _placed(columns)
    base = FIRST_DAY * S_PER_D
    truth = [(one.number, one.kind, FIRST_DAY + one.onset) for one in nodes if one.kind]
    truth += [(one.number, "low_cell", FIRST_DAY + float(one.parts["low"][0])) for one in nodes if "low" in one.parts]
    truth += [(one.number, "clock_never", FIRST_DAY + one.start) for one in nodes if not one.keys["clock"]]
    truth += [(partner, "ids_crossed", FIRST_DAY + onset) for partner, onset in partners]
    events = [
        (one.number, base + one.swap * S_PER_D, "swap", "") for one in nodes if np.isfinite(one.swap) and one.told
    ]
    listed = pd.DataFrame({name: pd.Series([np.nan] * n_nodes, dtype=object) for name in NODE})
    listed = listed.assign(
        node_id=[one.number for one in nodes], node=[f"f{one.number:03d}" for one in nodes],
        site=[f"s{one.site}" for one in nodes], profile=[one.profile.profile for one in nodes],
        chemistry="", banded_reading="x", retired=False, known=True,
        lo=0.0, hi=10.0, sleep_s=[one.sleep_s for one in nodes], fitted=base - 30 * S_PER_D,
    )  # fmt: skip
    listed = listed.astype(dict.fromkeys(NUMBERS, float))  # fmt: skip
    settings = pd.DataFrame(
        [(2 * one.number + rev, one.number, rev, 0.0, 10.0, 0.1, one.sleep_s / (1 + rev), 100.0, 1.0)
         for one in nodes for rev in (0, 1)], columns=list(SETTING)
    )  # fmt: skip
    return Made(columns, settings, listed, pd.DataFrame(events, columns=["node_id", "at", "what", "note"]),
                kinds, pd.DataFrame(truth, columns=["node_id", "kind", "onset"]), days)  # fmt: skip


def _seed_fault(one: _Node, kind: str, days: int, rng: np.random.Generator) -> None:
    one.kind, one.onset = kind, float(rng.uniform(max(one.start + 30, 0.35 * days), 0.85 * days))
    low, high = {
        "wakes_often": (1.0, 3.0), "edge_chatter": (6, 40), "crash_loop": (2, 12), "brownouts": (0.4, 3),
        "radio_struggle": (2, 5), "clock_drift": (80, 400), "records_missing": (0.25, 0.6), "sleep_leak": (80, 400),
        "weak_cell": (0.3, 0.6),
    }.get(kind, (1, 1))  # fmt: skip
    one.size = float(rng.uniform(low, high))
    one.change = np.nan
    if kind == "swap_seen":
        one.swap, one.told = one.onset, False
    elif kind in ("weak_cell", "sleep_leak"):
        one.swap = np.nan
        one.start = 0.0
    if kind == "weak_cell":
        one.onset = 0.0
    if kind.startswith("clock"):
        one.keys = one.keys | {"clock": True}


def _site(days: int, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Storms, real events, the level and the weather that a site's nodes share."""
    quiet = rng.uniform(0.0, 3.0)
    times = np.sort(rng.uniform(0, days, rng.poisson(quiet * days)))
    for _ in range(rng.poisson(days / 60)):
        begin = rng.uniform(0, days)
        times = np.append(times, begin + rng.uniform(0, rng.uniform(1, 4), rng.poisson(40)))
    out = [(begin, begin + rng.uniform(0.3, 2.5)) for begin in rng.uniform(0, days, rng.poisson(days / 100))]
    return {
        "events": np.sort(times[times < days]),
        "outages": np.array(out).reshape(-1, 2),
        "phase": np.array([rng.uniform(0, 365), rng.uniform(0, 1)]),
        "walk": np.cumsum(rng.normal(0, 0.12, days * 8 + 16)),
        "temp": rng.uniform(5, 18, 1),
    }


def _wakes(one: _Node, site: dict[str, FloatArray], days: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """RECORD columns of one node, times in days."""
    bad = lambda kind: one.kind == kind  # noqa: E731
    change = one.change if np.isfinite(one.change) else np.inf
    every = one.sleep_s / S_PER_D
    timer = np.arange(one.start + rng.uniform(0, every), min(change, days), every)
    if np.isfinite(change):
        timer = np.append(timer, np.arange(change, days, every / 2))
    times, causes, readings = [timer], [np.full(len(timer), Cause.TIMER)], [np.full(len(timer), np.nan)]

    def add(t: FloatArray, cause: int, reading: float | FloatArray = np.nan) -> None:
        keep = (t >= one.start) & (t < days)
        times.append(t[keep])
        causes.append(np.full(keep.sum(), cause))
        readings.append(np.broadcast_to(np.asarray(reading, dtype=float), t.shape)[keep])

    seen = site["events"][rng.random(len(site["events"])) < 0.8]
    add(seen + rng.uniform(0, 0.01, len(seen)), Cause.BAND_HIGH, 10 + rng.gamma(2, 0.3, len(seen)))
    own = rng.uniform(0, days, rng.poisson(0.4 * days))
    add(own, Cause.BAND_LOW, 0 - rng.gamma(2, 0.3, len(own)))
    usual = 1 / every + 0.8 * len(site["events"]) / days + 0.4
    left = days - one.onset
    if bad("wakes_often"):
        add(rng.uniform(one.onset, days, rng.poisson(max(usual * one.size, 4) * left)), Cause.PIN)
    if bad("edge_chatter"):
        for begin in np.arange(one.onset, days, 0.5):
            count = rng.poisson(one.size / 2)
            gaps = rng.exponential(rng.choice([2.0, 5.0]), count) / 1440
            add(begin + rng.uniform(0, 0.1) + np.cumsum(gaps), Cause.BAND_LOW, rng.normal(0, 0.05, count))
    if bad("crash_loop"):
        for cause in (Cause.CRASH, Cause.WATCHDOG):
            add(rng.uniform(one.onset, days, rng.poisson(one.size / 2 * left)), cause)
    if bad("brownouts"):
        add(rng.uniform(one.onset, days, rng.poisson(one.size * left)), Cause.BROWNOUT)
    add(rng.uniform(one.start, days, rng.poisson(0.004 * days)), Cause.WATCHDOG)  # now and then one, in health
    for at in (one.swap,) if np.isfinite(one.swap) else ():
        add(np.array([at]), Cause.POWER_ON)
    t = np.concatenate(times)
    order = np.argsort(t, kind="stable")
    t, cause, reading = t[order], np.concatenate(causes)[order], np.concatenate(readings)[order]
    if bad("gone_quiet"):
        keep = t < one.onset
        t, cause, reading = t[keep], cause[keep], reading[keep]
    return _columns(one, site, days, t, cause, reading, rng)


def _columns(
    one: _Node, site: dict[str, FloatArray], days: int, t: FloatArray, cause: np.ndarray, reading: FloatArray,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:  # fmt: skip
    n = len(t)
    acts = t >= one.onset
    bad = lambda kind: one.kind == kind  # noqa: E731
    resets = np.isin(cause, (Cause.POWER_ON, Cause.BROWNOUT, Cause.CRASH, Cause.WATCHDOG))
    boot = 3 + np.cumsum(resets)
    starts = np.maximum.accumulate(np.where(np.append(True, boot[1:] != boot[:-1]), np.arange(n), 0))
    seq = np.arange(n) - starts + np.where(boot == 3, int(rng.integers(0, 20000)), 0)
    level = (
        5
        + 2.5 * np.sin(2 * np.pi * (t / 0.5175 + site["phase"][1]))
        + np.interp(t * 8, np.arange(len(site["walk"])), site["walk"])
    )
    level = np.clip(level, 0.5, 9.5) + rng.normal(0, 0.1, n)
    reading = np.where(np.isfinite(reading), reading, level)
    sd = np.full(n, 0.3)
    if bad("stuck_reading"):
        reading, sd = np.where(acts, 4.2, reading), np.where(acts, 0.0, sd)
    temp = site["temp"][0] + 9 * np.sin(2 * np.pi * (t + site["phase"][0]) / 365)
    temp = temp + 4 * np.sin(2 * np.pi * t) + rng.normal(0, 0.7, n)
    base = 1800 * rng.uniform(0.85, 1.15)
    tries = 1 + rng.poisson(0.05, n)
    if bad("radio_struggle"):
        tries = tries + acts * rng.poisson(one.size - 1, n)
    radio = base * tries * np.exp(rng.normal(0, 0.2, n))
    awake = radio + 400 * np.exp(rng.normal(0, 0.15, n))
    rest, loaded = _volts(one, t, awake, radio, temp, rng)
    late = np.where(rng.random(n) < 0.02, rng.exponential(3600, n), 0.0)
    at = (FIRST_DAY + t) * S_PER_D
    delay = rng.exponential(1.5, n) + 0.5
    clock = at + rng.normal(0, 8e-6) * S_PER_D * (t - one.start) % 10  # set again every now and then
    if bad("clock_drift"):
        clock = clock + acts * one.size * 1e-6 * rng.choice([-1, 1]) * (t - one.onset) * S_PER_D
    if bad("clock_jump"):
        clock = clock + acts * rng.choice([-86400.0 * 20, 86400.0 * 3, -5400.0, -700])
    if bad("clock_zone"):
        clock = clock + acts * rng.choice([-3600.0, 3600, 7200])
    if bad("clock_unset"):
        clock = np.where(acts, t * 10, clock)
    lost = rng.random(n) < one.loss
    lost |= np.convolve(rng.random(n) < one.loss / 8, np.ones(4), "same") > 0
    if bad("records_missing"):
        lost |= acts & (rng.random(n) < one.size)
    for begin, end in site["outages"]:
        lost |= (t >= begin) & (t < end)
    rev = (t >= one.change) if np.isfinite(one.change) else np.zeros(n, bool)
    up = (t - t[starts]) * S_PER_D
    nan = np.full(n, np.nan)
    has = one.keys
    made: dict[str, np.ndarray] = dict.fromkeys(RECORD, nan)
    made |= {
        "node_id": np.full(n, one.number), "t": at, "boot": boot, "seq": seq, "arrived": at + late + delay,
        "time_from": np.zeros(n), "clock_t": clock if has["clock"] else nan, "cause": cause,
        "up_s": up if has["up_s"] else nan, "late_s": late if has["late_s"] else nan, "reading": reading,
        "batt_mv": rest if has["batt_mv"] else nan,
        "batt_tx_mv": loaded if has["rssi_dbm"] or not has["batt_mv"] else nan,
        "awake_ms": awake, "radio_ms": radio if has["radio_ms"] else nan, "tries": tries if has["tries"] else nan,
        "rssi_dbm": (-80 - 8 * (bad("radio_struggle") & acts) + rng.normal(0, 3, n)) if has["rssi_dbm"] else nan,
        "temp_c": temp if has["temp_c"] else nan,
        "set_id": (2 * one.number + rev) if has["set"] else np.full(n, -1), "trial": np.zeros(n),
    }  # fmt: skip
    if has["asleep"]:
        spread = 3 * sd + np.abs(rng.normal(0, 0.2, n)) * (sd > 0)
        made |= {"asleep_n": np.full(n, 500.0), "asleep_mean": reading, "asleep_sd": sd + 0.0}
        made |= {"asleep_min": reading - spread, "asleep_max": reading + spread}
    return {name: values[~lost] for name, values in made.items()}


def _volts(
    one: _Node, t: FloatArray, awake: FloatArray, radio: FloatArray, temp: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    floor_ua = 12 * rng.uniform(0.8, 1.2) + np.where((t >= one.onset) & (one.kind == "sleep_leak"), one.size, 0.0)
    step_d = np.diff(t, prepend=t[:1])
    used = np.cumsum(floor_ua * 1e-3 * 24 * step_d + (radio * 90 + (awake - radio) * 30) / 3.6e6)
    capacity = one.profile.battery.capacity_mah.mean * rng.normal(1, 0.05)
    begin = rng.uniform(0.02, 0.25) if one.kind != "weak_cell" else 0.03
    share = begin + used / (capacity * (one.size if one.kind == "weak_cell" else 1.0))
    if np.isfinite(one.swap):
        at = np.searchsorted(t, one.swap)
        if at < len(t):
            share = np.where(t >= one.swap, share - share[at] + 0.01, share)
    gain = 1 + rng.normal(0, 0.008)
    rest = rest_mv(one.profile.profile, share, temp) * gain + rng.normal(0, 4, len(t))
    ohm = {"alkaline": 0.6, "li-socl2": 3.0, "li-ion": 0.3, "li-mno2": 1.0}[one.profile.profile]
    resist = (
        ohm
        * (1 + 1.5 * np.clip(share, 0, 1) ** 3)
        * np.exp(-0.03 * (temp - 20))
        * (4 if one.kind == "brownouts" else 1)
    )
    loaded = rest - 90 * resist * gain + rng.normal(0, 6, len(t))
    if len(share) and share[-1] > 0.85:
        one.parts["low"] = t[share > 0.85][:1]
    return np.round(rest / 5) * 5, np.round(loaded / 5) * 5


def _cross(nodes: list[_Node], frames: list[dict[str, np.ndarray]]) -> list[tuple[int, float]]:
    """Nodes that change places from their onset on take the next healthy node of the site for a partner."""
    taken: list[tuple[int, float]] = []
    for index, one in enumerate(nodes):
        if one.kind != "ids_crossed":
            continue
        others = [
            k
            for k, two in enumerate(nodes)
            if two.site == one.site and not two.kind and two.number not in [t for t, _ in taken]
        ]
        if not others:
            one.kind = ""
            continue
        partner = others[0]
        at = (FIRST_DAY + one.onset) * S_PER_D
        taken.append((nodes[partner].number, one.onset))
        for here, there in ((index, partner), (partner, index)):
            frames[here]["node_id"] = np.where(frames[here]["t"] >= at, nodes[there].number, nodes[here].number)
    return taken


def _placed(columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """What the tool believes of the times."""
    placed = place_in_time(
        series=columns["node_id"].astype(np.int64), boot=columns["boot"].astype(np.int64),
        seq=columns["seq"].astype(np.int64), arrived=columns["arrived"], clock_t=columns["clock_t"],
        late_s=columns["late_s"], up_s=columns["up_s"],
    )  # fmt: skip
    return columns | {"t": placed.t, "time_from": placed.time_from}
