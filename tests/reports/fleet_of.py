"""A plausible fleet as frames, from a seed: what the stages before the report would have found. Invented data."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from fleet.frames import ADVICE, CHARGE, DEAD_BY_D, ESTIMATE, EVENT, FLAG, NODE, OUTLOOK, RECORD, empty_frame
from fleet.words import Cause
from reports.found import Found
from reports.reads import DAY_COLUMNS

AS_OF_AT = datetime(2026, 11, 23, 5, 0, tzinfo=UTC)  # the Monday after ISO week 2026-W47
SITES = (
    "Alder weir",
    "Birch orchard",
    "Chalk spring",
    "Dyke end",
    "Elm ferry",
    "Fen pumping",
    "Gorse bank",
    "Heron reach",
)
CELLS = ("alkaline", "li-fes2", "li-socl2")
HISTORY_W = 26
AHEAD_D = np.arange(0, 421, 14)
STRIP_D = 70


def fleet_of(
    node_count: int = 48, *, seed: int = 7, as_of_at: datetime = AS_OF_AT, visits: bool = True, site_count: int = 8
) -> Found:
    """Frames of `node_count` nodes: most healthy, a few of each trouble, some without an estimate."""
    rng = np.random.default_rng(seed)
    as_of = as_of_at.timestamp()
    nodes = _nodes(node_count, rng, as_of, site_count)
    estimates = _estimates(nodes, rng, as_of)
    days = _days(nodes, estimates, rng, int(as_of // 86400))
    return Found(
        nodes=nodes,
        estimates=estimates,
        charge=_charge(estimates, rng, int(as_of // 86400)),
        outlook=_outlook(estimates),
        flags=_flags(estimates, as_of),
        advice=_advice(nodes, estimates),
        days=days,
        events=_visits(nodes, as_of_at) if visits else empty_frame(EVENT),
        before=_before(estimates),
        records=_records(estimates, rng, as_of),
    )


def _nodes(count: int, rng: np.random.Generator, as_of: float, site_count: int) -> pd.DataFrame:
    frame = empty_frame(NODE).reindex(range(count))
    site = np.sort(rng.integers(0, site_count, count))
    names = [
        SITES[index % len(SITES)] + ("" if index < len(SITES) else f" {index // len(SITES) + 1}") for index in site
    ]
    frame["node_id"] = np.arange(count, dtype="int32") + 1
    frame["site"] = names
    initials = ["".join(word[0] for word in name.split()[:2]).upper() for name in names]
    frame["node"] = [f"{letters}-{index + 1:03d}" for index, letters in enumerate(initials)]
    frame["profile"] = "creek-level-2"
    frame["chemistry"] = [CELLS[index % len(CELLS)] for index in site]
    frame["latitude"] = 54.0 + 0.08 * np.cos(site) + rng.normal(0, 0.004, count)
    frame["longitude"] = 8.6 + 0.14 * np.sin(site) + rng.normal(0, 0.006, count)
    frame["timezone"] = "Europe/Berlin"
    frame["fitted"] = as_of - rng.uniform(30, 500, count) * 86400
    frame["banded_reading"] = "level_v"
    frame[["lo", "hi", "hyst", "sleep_s", "period_ms", "avg"]] = (0.6, 1.8, 0.05, 3600.0, 100.0, 4.0)
    frame["retired"] = False
    frame["known"] = True
    return frame


def _estimates(nodes: pd.DataFrame, rng: np.random.Generator, as_of: float) -> pd.DataFrame:
    count = len(nodes)
    band = rng.gamma(4.0, 0.8, count) + np.where(rng.random(count) < 0.08, rng.uniform(30, 90, count), 0)
    timer = rng.normal(23.6, 0.3, count)
    left = np.clip(rng.beta(3, 1.8, count), 0.02, 1)
    left[rng.random(count) < 0.012] = 0.03
    left[2:4] = (0.03, 0.15)[: max(0, count - 2)]
    parts = {
        "part_sleep": rng.normal(0.22, 0.02, count),
        "part_coprocessor": rng.normal(0.45, 0.03, count),
        "part_wake_timer": 0.027 * timer,
        "part_wake_band_low": 0.02 * band,
        "part_wake_band_high": 0.01 * band,
        "part_radio": rng.gamma(2.0, 0.05, count) + np.where(rng.random(count) < 0.04, 1.2, 0),
        "part_self_discharge": rng.normal(0.14, 0.02, count),
    }
    drain = sum(parts.values())
    mid = 1100 * left / drain
    spread = rng.uniform(0.08, 0.35, count)
    frame = empty_frame(ESTIMATE).reindex(range(count))
    frame["node_id"] = nodes["node_id"]
    frame["as_of"] = as_of
    frame["since"] = as_of - 28 * 86400
    frame["last_heard"] = as_of - rng.uniform(60, 3600, count)
    frame["wakes_timer"] = timer * 28
    frame["wakes_band_low"] = band * 28 * 2 / 3
    frame["wakes_band_high"] = band * 28 / 3
    frame["wakes"] = (timer + band) * 28
    frame["wakes_seen"] = frame["wakes"] * rng.uniform(0.93, 1.0, count)
    frame["wakes_per_day"] = timer + band
    frame["duty_main"] = frame["wakes_per_day"] * 1.9 / 86400
    for name, values in parts.items():
        frame[name] = values
    for name, values, width in (
        ("drain_mah_per_day", drain, 0.1),
        ("drain_ratio", rng.normal(1.04, 0.05, count), 0.08),
    ):
        frame[name], frame[f"{name}_lo"], frame[f"{name}_hi"] = values, values * (1 - width), values * (1 + width)
    frame["charge_left"], frame["charge_left_lo"] = left, left * 0.93
    frame["charge_left_hi"] = np.minimum(1, left * 1.07)
    frame["usable_mah"] = 1100.0
    frame["days_left_p10"] = mid * np.exp(-1.2816 * spread)
    frame["days_left_p50"] = mid
    frame["days_left_p90"] = mid * np.exp(1.2816 * spread)
    from scipy.stats import norm

    for ahead_d in DEAD_BY_D:
        frame[f"dead_by_{ahead_d}"] = norm.cdf((np.log(ahead_d) - np.log(mid)) / spread)
    frame["recharged"] = False
    frame["why_null"] = [{} for _ in range(count)]
    unsure = rng.random(count) < 0.03
    unsure[4:5] = True
    unsure[2:4] = False
    figures = [name for name in frame if name.startswith(("days_left", "dead_by", "charge_left"))]
    frame.loc[unsure, figures] = np.nan
    frame["why_null"] = [{"days_left_p50": "fewer than 7 days of records"} if bad else {} for bad in unsure]
    return frame


def _charge(estimates: pd.DataFrame, rng: np.random.Generator, today: int) -> pd.DataFrame:
    rows = []
    back = np.arange(HISTORY_W * 7, -1, -7)
    for row in estimates.itertuples():
        if np.isnan(row.charge_left):
            continue
        level = np.clip(row.charge_left + back * row.drain_mah_per_day / 1100 + rng.normal(0, 0.004, len(back)), 0, 1)
        rows.append(
            pd.DataFrame(
                {
                    "node_id": row.node_id,
                    "day": today - back,
                    "charge_left": level,
                    "charge_left_lo": level * 0.94,
                    "charge_left_hi": np.minimum(1, level * 1.06),
                }
            )
        )
    return pd.concat(rows, ignore_index=True) if rows else empty_frame(CHARGE)


def _outlook(estimates: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for row in estimates.itertuples():
        if np.isnan(row.charge_left):
            continue
        spread = np.log(row.days_left_p90 / row.days_left_p10) / 2.5631
        quantiles = {
            f"p{share:02d}": np.maximum(0, row.charge_left * (1 - AHEAD_D / (row.days_left_p50 * np.exp(spread * z))))
            for share, z in ((10, -1.2816), (25, -0.6745), (50, 0.0), (75, 0.6745), (90, 1.2816))
        }
        rows.append(pd.DataFrame({"node_id": row.node_id, "ahead_d": AHEAD_D, **quantiles}))
    return pd.concat(rows, ignore_index=True) if rows else empty_frame(OUTLOOK)


def _flags(estimates: pd.DataFrame, as_of: float) -> pd.DataFrame:
    busy = estimates[estimates["wakes_per_day"] > 45]
    weak = estimates[estimates["part_radio"] > 0.8]
    rows = [
        (row.node_id, "wakes_often", as_of - 50 * 86400, 0.95, f"{row.wakes_per_day:.0f} wakes a day", "lower edge", "")
        for row in busy.itertuples()
    ] + [
        (row.node_id, "radio_struggle", as_of - 20 * 86400, 0.8, "3.1 tries a record", "antenna", "")
        for row in weak.itertuples()
    ]
    rows += [
        (row.node_id, "gone_quiet", as_of - 9 * 86400, 0.7, "silent for 9 days", "node", "")
        for row in estimates[estimates["charge_left"].isna()].head(2).itertuples()
    ]
    frame = pd.DataFrame(rows, columns=["node_id", "flag", "since", "strength", "evidence", "part", "under"])
    frame["since_lo"] = frame["since"] - 86400 if rows else pd.Series(dtype=float)
    frame["since_hi"] = frame["since"] + 86400 if rows else pd.Series(dtype=float)
    return frame[list(FLAG)]


def _advice(nodes: pd.DataFrame, estimates: pd.DataFrame) -> pd.DataFrame:
    busy = estimates[estimates["wakes_per_day"] > 45]
    frame = empty_frame(ADVICE).reindex(range(len(busy)))
    frame["node_id"] = busy["node_id"].to_numpy()
    frame[["lo", "hi", "hyst", "sleep_s", "period_ms", "avg"]] = (0.45, 1.8, 0.05, 3600.0, 100.0, 4.0)
    for name, values in (("wakes_per_day", 26.0), ("drain_mah_per_day", 1.5), ("events_seen", 0.98)):
        frame[name], frame[f"{name}_lo"], frame[f"{name}_hi"] = values, values * 0.9, values * 1.02
    for share, factor in (("p10", 1.7), ("p50", 1.9), ("p90", 2.1)):
        frame[f"days_left_{share}"] = busy[f"days_left_{share}"].to_numpy() * factor
    frame["method"], frame["sentence"], frame["remedy"] = "replay of 28 days", "Lower the edge.", "settings"
    return frame


def _visits(nodes: pd.DataFrame, as_of_at: datetime) -> pd.DataFrame:
    dates = [as_of_at.replace(hour=9) + timedelta(days=d) for d in (-180, 16, 170)]
    first = nodes.groupby("site", sort=False)["node_id"].first()
    rows = [(node_id, at.timestamp(), "visit", "round") for node_id in first for at in dates]
    return pd.DataFrame(rows, columns=list(EVENT))


def _before(estimates: pd.DataFrame) -> pd.DataFrame:
    before = estimates.copy()
    before["as_of"] -= 7 * 86400
    before["last_heard"] -= 7 * 86400
    for share in ("p10", "p50", "p90"):
        before[f"days_left_{share}"] = before[f"days_left_{share}"] * (1.1 + 0.4 * np.sin(before["node_id"])) + 7
    for ahead_d in DEAD_BY_D:
        before[f"dead_by_{ahead_d}"] = before[f"dead_by_{ahead_d}"] * 0.8
    return before


def _days(nodes: pd.DataFrame, estimates: pd.DataFrame, rng: np.random.Generator, today: int) -> pd.DataFrame:
    count = len(nodes)
    day = np.tile(np.arange(today - HISTORY_W * 7, today), count)
    row = np.repeat(np.arange(count), HISTORY_W * 7)
    frame = pd.DataFrame(np.nan, index=range(len(day)), columns=DAY_COLUMNS)
    frame["node_id"] = estimates["node_id"].to_numpy()[row] if count else pd.Series(dtype="int32")
    frame["day"] = day
    ramp = np.where(day > today - 50, 1.0, 0.3)
    band = estimates["wakes_band_low"].to_numpy()[row] / 28 if count else np.array([])
    frame["n_timer"] = rng.poisson(23.6, len(day))
    frame["n_band_low"] = rng.poisson(band * ramp) if count else np.nan
    frame["n_band_high"] = rng.poisson(band * ramp / 2) if count else np.nan
    frame["seen"] = frame[["n_timer", "n_band_low", "n_band_high"]].sum(axis=1)
    frame["missing"] = rng.poisson(0.6, len(day))
    return frame[~frame["day"].isin([today - 31, today - 30])].reset_index(drop=True)


def _records(estimates: pd.DataFrame, rng: np.random.Generator, as_of: float) -> pd.DataFrame:
    busy = estimates.nlargest(12, "wakes_per_day")
    times, causes, ids = [], [], []
    start = (as_of // 86400 - STRIP_D) * 86400
    for row in busy.itertuples():
        clock = start + np.arange(STRIP_D * 4) * 21600.0
        count = int(row.wakes_band_low / 28 * 50)
        afternoon = start + rng.integers(20, STRIP_D, count) * 86400 + rng.normal(15, 1.5, count) * 3600
        other = start + rng.uniform(0, STRIP_D * 86400, 12)
        times += [clock, afternoon, other]
        causes += [
            np.full(len(clock), int(Cause.TIMER)),
            np.full(count, int(Cause.BAND_LOW)),
            np.full(12, int(Cause.BAND_HIGH)),
        ]
        ids.append(np.full(len(clock) + count + 12, row.node_id))
    if not ids:
        return empty_frame(RECORD)[["node_id", "t", "cause"]]
    frame = pd.DataFrame({"node_id": np.concatenate(ids), "t": np.concatenate(times), "cause": np.concatenate(causes)})
    gap = frame["t"].between(start + 38 * 86400, start + 41 * 86400)
    return frame[~gap].reset_index(drop=True)
