"""Day rows and set-up in, estimates of a whole fleet out: the results contract, flat."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.estimates.counted import COUNTED_COLUMNS, Counted, counted_charge
from fleet.estimates.life_quantiles import dead_within, weighted_quantiles
from fleet.estimates.node_days import NodeDays, node_days
from fleet.frames import CHARGE, DEAD_BY_D, ESTIMATE, OUTLOOK, empty_frame
from fleet.profiles.chemistry import Chemistry
from fleet.profiles.profile import Profile
from fleet.units import H_PER_D, S_PER_D
from fleet.words import Cause

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Estimates:
    """Frames ESTIMATE, CHARGE and OUTLOOK; `swaps` has node_id, at [s since 1970] and told."""

    nodes: pd.DataFrame
    charge: pd.DataFrame
    outlook: pd.DataFrame
    swaps: pd.DataFrame


def estimate_fleet(
    days: pd.DataFrame,
    nodes: pd.DataFrame,
    profiles: Mapping[str, Profile],
    events: pd.DataFrame,
    *,
    as_of_at: datetime,
    since_at: datetime | None,
    settings: pd.DataFrame,
    chemistries: Mapping[str, Chemistry],
) -> Estimates:
    """Everything the results contract says of each node of the node list, in its order."""
    as_of_s = as_of_at.timestamp()
    last_day = int(np.ceil(as_of_s / S_PER_D)) - 1
    names = [*COUNTED_COLUMNS, *(f"n_{cause.word}" for cause in Cause)]
    table = node_days(days, nodes["node_id"].to_numpy(np.int64), names=names, last_day=last_day)
    profile_of = [profiles.get(str(name)) for name in nodes["profile"]]
    counted = counted_charge(table, profile_of, nodes["period_ms"].to_numpy(float))
    frame = _blank(nodes, as_of_s)
    since_s = since_at.timestamp() if since_at else np.nan
    _counts(frame, table, counted, since_s=since_s, as_of_s=as_of_s)
    _counting_only(frame, counted, profile_of, chemistries, as_of_s=as_of_s)
    swaps = pd.DataFrame(
        {"node_id": pd.Series(dtype="int32"), "at": pd.Series(dtype=float), "told": pd.Series(dtype=bool)}
    )
    return Estimates(frame, empty_frame(CHARGE), empty_frame(OUTLOOK), swaps)


def _blank(nodes: pd.DataFrame, as_of_s: float) -> pd.DataFrame:
    columns = {name: np.full(len(nodes), np.nan) for name, dtype in ESTIMATE.items() if dtype == "float64"}
    frame = pd.DataFrame(columns)
    frame["node_id"] = nodes["node_id"].to_numpy()
    frame["as_of"] = as_of_s
    frame["battery_from"] = nodes["fitted"].to_numpy(float)
    frame["recharged"] = False
    frame["why_null"] = [{} for _ in range(len(nodes))]
    return frame[list(ESTIMATE)]


def _counts(frame: pd.DataFrame, table: NodeDays, counted: Counted, *, since_s: float, as_of_s: float) -> None:
    first = np.where(table.heard, table["first_t"], np.inf).min(axis=1, initial=np.inf)
    last = np.where(table.heard, table["last_t"], -np.inf).max(axis=1, initial=-np.inf)
    heard = np.isfinite(last)
    since = np.where(heard, np.fmax(first, since_s), since_s)
    day_start = (table.first_day + np.arange(table.shape[1])) * S_PER_D
    inside = (day_start[None, :] + S_PER_D > since[:, None]) & (day_start[None, :] <= last[:, None])
    span_d = (np.minimum(last, as_of_s) - since) / S_PER_D
    frame["since"] = since
    frame["last_heard"] = np.where(heard, last, np.nan)
    wakes = np.where(inside, counted.wakes, 0.0).sum(axis=1)
    frame["wakes"] = np.where(heard, wakes, np.nan)
    frame["wakes_seen"] = np.where(heard, np.where(inside, np.nan_to_num(table["seen"]), 0.0).sum(axis=1), np.nan)
    per_day = np.divide(wakes, span_d, out=np.full(len(frame), np.nan), where=heard & (span_d > 0))
    frame["wakes_per_day"] = per_day
    days_in = np.maximum(inside.sum(axis=1), 1)
    frame["duty_main"] = np.where(heard, np.where(inside, counted.awake_frac, 0.0).sum(axis=1) / days_in, np.nan)
    total = np.where(inside, counted.total_mah, 0.0).sum(axis=1) / days_in
    frame["drain_mah_per_day"] = np.where(heard, total, np.nan)
    frame["drain_ma"] = frame["drain_mah_per_day"] / H_PER_D


def _counting_only(
    frame: pd.DataFrame,
    counted: Counted,
    profile_of: list[Profile | None],
    chemistries: Mapping[str, Chemistry],
    *,
    as_of_s: float,
) -> None:
    draws = np.exp(np.linspace(-2.5, 2.5, 201))
    weights = np.broadcast_to(np.exp(-0.5 * np.linspace(-2.5, 2.5, 201) ** 2), (len(frame), 201))
    capacity = np.array([_usable_mah(profile, chemistries) for profile in profile_of])
    used = counted.total_mah.sum(axis=1)
    left = np.maximum(capacity[:, None] * draws[None, :] ** 0.3 - used[:, None], 0.0)
    life_d = left / np.maximum(frame["drain_mah_per_day"].to_numpy()[:, None], 1e-9)
    known = np.isfinite(life_d).all(axis=1)
    weights = np.where(known[:, None], weights, 0.0)
    frame[["days_left_p10", "days_left_p50", "days_left_p90"]] = weighted_quantiles(
        life_d, weights, np.array([0.1, 0.5, 0.9])
    )
    share = np.clip(left / (left + used[:, None]), 0, 1)
    frame[["charge_left_lo", "charge_left", "charge_left_hi"]] = weighted_quantiles(
        share, weights, np.array([0.05, 0.5, 0.95])
    )
    frame["usable_mah"] = capacity
    for horizon in DEAD_BY_D:
        frame[f"dead_by_{horizon}"] = dead_within(life_d, weights, horizon)


def _usable_mah(profile: Profile | None, chemistries: Mapping[str, Chemistry]) -> float:
    if profile is None:
        return np.nan
    chemistry = chemistries.get(profile.battery.chemistry)
    share = chemistry.measured_over_printed.mean if chemistry else 0.8
    return profile.battery.capacity_mah.mean * profile.battery.parallel * share
