"""Result columns of the batteries: charge left, days left, odds, and what the field says about the profile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.daily.grid import DayGrid
from fleet.estimates.battery import BatteryState
from fleet.estimates.battery_days import Batteries
from fleet.estimates.charge_budget import DailyCharge
from fleet.estimates.field import pooling_weights
from fleet.estimates.life_quantiles import dead_within, weighted_quantiles
from fleet.frames import CHARGE, DEAD_BY_D, OUTLOOK, empty_frame
from fleet.units import H_PER_D, MC_PER_MAH, S_PER_D, UA_PER_MA

FloatArray = NDArray[np.float64]

NINETY = np.array([0.05, 0.5, 0.95])
EIGHTY = np.array([0.1, 0.5, 0.9])
OUTLOOK_D = (0, 7, 14, 30, 60, 90, 120, 180, 270, 365)
OUTLOOK_LEVELS = np.array([0.1, 0.25, 0.5, 0.75, 0.9])
MINIMUM_SPANS = 2  # with fewer voltages nothing is inferred about the profile


def battery_columns(
    nodes: pd.DataFrame,
    states: Sequence[BatteryState | None],
    batteries: Sequence[Batteries | None],
    charge: DailyCharge,
    grid: DayGrid,
    *,
    as_of_s: float,
) -> dict[str, FloatArray]:
    """Columns of the ESTIMATE frame that rest on the batteries. Shape (n_nodes,) each; NaN where not known."""
    known = np.array([line for line, state in enumerate(states) if state is not None], dtype=int)
    fitted = nodes["fitted"].to_numpy(float)
    columns: dict[str, FloatArray] = {"battery_from": np.where(fitted <= as_of_s, fitted, np.nan)}
    columns["recharged"] = np.array([bool(one and one.recharged) for one in batteries])
    if not len(known):
        return columns
    present = [state for state in states if state is not None]
    weights = _weights(present, nodes["profile"].astype(str).to_numpy()[known])
    made = _charge_and_life(present, weights)
    made |= _field(present, weights, _profile_figures(grid, charge, known))
    for name, values in made.items():
        columns[name] = np.full(len(nodes), np.nan)
        columns[name][known] = values
    for line in known:
        one = batteries[line]
        if one is not None and one.swaps:
            columns["battery_from"][line] = one.swaps[-1][0]
        if columns["recharged"][line]:
            for horizon in DEAD_BY_D:
                columns[f"dead_by_{horizon}"][line] = np.nan
    return columns


def _weights(states: Sequence[BatteryState], kinds: NDArray[np.str_]) -> FloatArray:
    """Weights of the draws after the nodes of one profile have heard each other. Rows sum to 1."""
    group = np.unique(kinds, return_inverse=True)[1].astype(np.int64)
    weights = np.ones((len(states), len(states[0].outcome.life_d)))
    for name in ("floor", "wake"):
        draws = np.log(np.stack([getattr(state.state.particles, f"{name}_factor") for state in states]))
        mean = np.array([getattr(state.beliefs, f"{name}_log_mean") for state in states])
        sd = np.array([getattr(state.beliefs, f"{name}_log_sd") for state in states])
        weights = weights * pooling_weights(draws, mean, sd, group)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=float)


def _charge_and_life(states: Sequence[BatteryState], weights: FloatArray) -> dict[str, FloatArray]:
    life = np.stack([state.outcome.life_d for state in states])
    left = np.stack([state.outcome.charge_left for state in states])
    usable = np.stack([state.outcome.end_dod * state.state.particles.capacity_mah for state in states])
    made: dict[str, FloatArray] = {}
    for end, values in zip(("_lo", "", "_hi"), weighted_quantiles(left, weights, NINETY).T, strict=True):
        made[f"charge_left{end}"] = values
    for level, values in zip((10, 50, 90), weighted_quantiles(life, weights, EIGHTY).T, strict=True):
        made[f"days_left_p{level}"] = values
    made["usable_mah"] = weighted_quantiles(usable, weights, np.array([0.5]))[:, 0]
    for horizon in DEAD_BY_D:
        made[f"dead_by_{horizon}"] = dead_within(life, weights, float(horizon))
    return made


def _profile_figures(grid: DayGrid, charge: DailyCharge, known: NDArray[np.int64]) -> dict[str, FloatArray]:
    """Sleep floor and charge per wake that the profile and the counts say, over the last 28 days."""
    recent = slice(-28, None)
    covered_d = charge.covered_frac[known, recent].sum(axis=1)
    parts = charge.parts_mah
    floor = (parts["sleep"] + parts["coprocessor"])[known, recent].sum(axis=1)
    wake = charge.total_mah[known, recent].sum(axis=1) - floor
    wakes = grid.wakes[known, recent].sum(axis=1)
    some = covered_d > 0
    per_d = np.divide(floor, covered_d, out=np.full(len(known), np.nan), where=some)
    per_wake = np.divide(wake, wakes, out=np.full(len(known), np.nan), where=wakes > 0)
    return {
        "floor_mah_per_d": per_d,
        "wake_mah_per_d": np.divide(wake, covered_d, out=np.full(len(known), np.nan), where=some),
        "wake_mc": per_wake * MC_PER_MAH,
    }


def _field(
    states: Sequence[BatteryState],
    weights: FloatArray,
    figures: Mapping[str, FloatArray],
) -> dict[str, FloatArray]:
    """`floor_ua`, `wake_cost_mc`, `drain_ratio` with 90 % intervals; NaN where no voltage has spoken."""
    floor = np.stack([state.state.particles.floor_factor for state in states])
    wake = np.stack([state.state.particles.wake_factor for state in states])
    hidden = np.stack([state.state.particles.extra_now * state.ahead.mean_mah_per_d for state in states])
    floor_mah = floor * figures["floor_mah_per_d"][:, None] + hidden
    wake_mah = wake * figures["wake_mah_per_d"][:, None]
    counted = figures["floor_mah_per_d"] + figures["wake_mah_per_d"]
    draws = {
        "floor_ua": floor_mah * UA_PER_MA / H_PER_D,
        "wake_cost_mc": wake * figures["wake_mc"][:, None],
        "drain_ratio": (floor_mah + wake_mah) / np.where(counted > 0, counted, np.nan)[:, None],
    }
    silent = np.array([len(state.shown.mv) < MINIMUM_SPANS for state in states])
    made: dict[str, FloatArray] = {}
    for name, values in draws.items():
        ends = weighted_quantiles(np.nan_to_num(values, nan=np.inf), weights, NINETY)
        ends = np.where(np.isfinite(ends) & ~silent[:, None], ends, np.nan)
        for end, column in zip(("_lo", "", "_hi"), ends.T, strict=True):
            made[f"{name}{end}"] = column
    return made


def charge_frame(ids: NDArray[np.int64], states: Sequence[BatteryState | None]) -> pd.DataFrame:
    """The CHARGE frame: charge left at the end of each day of each battery known."""
    parts = []
    for node_id, state in zip(ids, states, strict=True):
        if state is None or not len(state.history_s):
            continue
        first, last = int(state.history_s[0] // S_PER_D), int(np.ceil(state.history_s[-1] / S_PER_D)) - 1
        day = np.arange(first, last + 1)
        ends = np.minimum((day + 1) * S_PER_D, state.history_s[-1])
        order = np.argsort(state.history_s, kind="stable")
        low, mid, high = (np.interp(ends, state.history_s[order], state.history_left[order, i]) for i in range(3))
        parts.append({"node_id": np.full(len(day), node_id), "day": day, "charge_left": mid}
                     | {"charge_left_lo": low, "charge_left_hi": high})  # fmt: skip
    if not parts:
        return empty_frame(CHARGE)
    joined = {name: np.concatenate([part[name] for part in parts]).astype(dtype) for name, dtype in CHARGE.items()}
    return pd.DataFrame(joined)


def outlook_frame(ids: NDArray[np.int64], states: Sequence[BatteryState | None]) -> pd.DataFrame:
    """The OUTLOOK frame: charge left expected over the coming year, each draw falling evenly to its end."""
    known = [(node_id, state.outcome) for node_id, state in zip(ids, states, strict=True) if state is not None]
    if not known:
        return empty_frame(OUTLOOK)
    ahead = np.array(OUTLOOK_D)
    rows = []
    for node_id, outcome in known:
        share = np.clip(1.0 - ahead[None, :] / np.maximum(outcome.life_d, 1e-6)[:, None], 0.0, 1.0)
        values = np.quantile(outcome.charge_left[:, None] * share, OUTLOOK_LEVELS, axis=0).T
        rows.append(np.column_stack([np.full(len(ahead), node_id), ahead, values]))
    frame = pd.DataFrame(np.concatenate(rows), columns=list(OUTLOOK))
    return frame.astype({"node_id": "int32", "ahead_d": "int32"})
