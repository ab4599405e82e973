"""Cells of seven chemistries, each off its published curve, and the forecasts made of them: coverage by chemistry.

Run: python tests/bench/made_cells.py [n_cells] [seed]. Everything is drawn anew from the seed; no data is needed.
The cells share the built-in tables with the estimator, so this measures its intervals, not its knowledge of cells.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.estimates.cell_prior import DOD_FRAC, MEAN, cell_prior
from fleet.estimates.fleet import estimate_fleet
from fleet.frames import DAY, EVENT, NODE, SETTING, empty_frame
from fleet.profiles.chemistry import Chemistry, chemistry_names, load_chemistry
from fleet.profiles.profile import Battery, Figure, Measure, Profile, Sleep, Wake

FloatArray = NDArray[np.float64]
DAY0, S_PER_D, H_PER_D, DAYS = 20_000, 86_400.0, 24.0, 2_000
WAKES_PER_D = 24.0
SWING_C = 4.0  # half the difference of day and night
KINDS = {  # printed capacity mAh, cells in series, cut-off mV, burst mA
    "alkaline": (2500.0, 2, 2000.0, 60.0),
    "li-fes2": (3000.0, 2, 2200.0, 60.0),
    "li-ion": (1200.0, 1, 3200.0, 120.0),
    "li-mno2": (1500.0, 1, 2200.0, 60.0),
    "li-socl2": (2400.0, 1, 2900.0, 20.0),
    "lifepo4": (1200.0, 1, 2700.0, 120.0),
    "nimh": (2000.0, 3, 3100.0, 100.0),
}


@dataclass(frozen=True)
class MadeCell:
    """One node's truth by day, and its day of death."""

    profile: Profile
    rest_mv: FloatArray
    load_mv: FloatArray
    temp_c: FloatArray
    wakes: FloatArray
    dod_frac: FloatArray
    dead_d: int


def made_cell(kind: str, rng: np.random.Generator) -> MadeCell:
    """One node on one cell: capacity, currents, curve, resistance and weather drawn about what the deployer wrote."""
    chemistry = load_chemistry(kind)
    printed_mah, series, cutoff_mv, burst_ma = KINDS[kind]
    life_d = rng.uniform(80.0, 500.0)
    believed_mah = 0.88 * printed_mah
    sleep_ua = min(rng.uniform(10.0, 60.0), 0.4 * believed_mah / life_d / 0.024)
    wake_mah = (believed_mah / life_d - sleep_ua * 0.024) / WAKES_PER_D
    temp_c = _weather(rng)
    wakes = _wakes(life_d, rng)
    floor_mah = np.full(DAYS, sleep_ua * 0.024 * np.exp(rng.normal(0.12, 0.25)))
    floor_mah += _leak(life_d, printed_mah, rng)
    capacity_mah = believed_mah * np.exp(rng.normal(0.0, 0.14))
    start = 0.01 * rng.random() if rng.random() < 0.85 else rng.uniform(0.1, 0.6)
    daily = (floor_mah + wakes * wake_mah * np.exp(rng.normal(0.0, 0.15))) / capacity_mah
    dod = start + np.cumsum(daily + 0.7 * chemistry.self_discharge_per_year.mean / 365.25)
    middle = dod - 0.5 * daily
    rest, load, high = _voltages(chemistry, kind, middle, temp_c, rng)
    gain = 1.0 + 0.01 * rng.standard_normal()
    return MadeCell(
        profile=Profile(
            profile="made",
            sleep=Sleep(current_ua=Figure(sleep_ua)),
            wake=Wake(current_ma=Figure(burst_ma), length_ms=Figure(wake_mah * 3.6e6 / burst_ma)),
            battery=Battery(chemistry=kind, capacity_mah=Figure(printed_mah), cutoff_mv=cutoff_mv, series=series),
            measure=Measure(gain_sd=0.02, step_mv=4.0),
        ),
        rest_mv=rest * gain + 4.0 * rng.standard_normal(DAYS),
        load_mv=load * gain + 5.0 * rng.standard_normal(DAYS),
        temp_c=temp_c,
        wakes=wakes,
        dod_frac=dod,
        dead_d=_dead_d(high >= cutoff_mv),
    )


def _weather(rng: np.random.Generator) -> FloatArray:
    day = np.arange(DAYS) + rng.uniform(0.0, 365.0)
    slow = np.convolve(rng.standard_normal(DAYS + 6), np.ones(7) / 2.6, "valid")
    return np.asarray(rng.uniform(5.0, 18.0) + 8.0 * np.sin(2 * np.pi * day / 365.0) + slow, dtype=float)


def _wakes(life_d: float, rng: np.random.Generator) -> FloatArray:
    """Wakes a day: three in ten nodes change their rate for good, two in ten have a spell."""
    wakes = np.full(DAYS, WAKES_PER_D)
    chance, begin = rng.random(), int(rng.integers(10, int(life_d)))
    if chance < 0.3:
        wakes[begin:] *= np.exp(rng.normal(0.3, 0.5))
    elif chance < 0.5:
        wakes[begin : begin + int(rng.integers(5, 40))] *= 3.0
    return wakes


def _leak(life_d: float, printed_mah: float, rng: np.random.Generator) -> FloatArray:
    """Growing leak in one node of fourteen. [mAh/d]"""
    leak = np.zeros(DAYS)
    if rng.random() < 0.07:
        begin = int(rng.integers(10, int(life_d)))
        leak[begin:] = np.arange(DAYS - begin) / life_d * rng.uniform(0.5, 2.0) * printed_mah / life_d
    return leak


def _voltages(
    chemistry: Chemistry, kind: str, dod: FloatArray, temp_c: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pack voltage at rest, under the burst, and under the burst at the warmest hour. [mV]"""
    printed_mah, series, _, burst_ma = KINDS[kind]
    prior = cell_prior(chemistry)
    number = int(rng.choice(len(prior.names) - 1, p=prior.weight[:-1] / prior.weight[:-1].sum()))
    span_mv = chemistry.fresh_mv - chemistry.cutoff_mv
    centres = (0.0, 0.25, 0.5, 0.75, 1.0)
    bumps = [rng.normal(0.0, 0.02 * span_mv) * np.exp(-0.5 * ((DOD_FRAC - at) / 0.15) ** 2) for at in centres]
    stretched = np.interp(DOD_FRAC * (1.0 + rng.normal(0.0, 0.06)), DOD_FRAC, prior.table[number, :, MEAN])
    shift_mv = 0.7 * chemistry.cell_sd_mv * rng.standard_normal()
    curve = np.minimum.accumulate(stretched + np.sum(bumps, axis=0) + shift_mv)
    per_k = rng.normal(0.0, chemistry.mv_per_k.sd)
    size = np.clip(chemistry.resistance_of_mah / printed_mah, 0.1, 4.0)
    fresh_ohm = chemistry.resistance_mohm.mean * size * series * np.exp(rng.normal(0.0, 0.3)) / 1000.0
    inside = np.clip(dod, 0.0, 1.0)

    def at(warm_c: FloatArray) -> tuple[FloatArray, FloatArray]:
        shift = chemistry.temp_shift_mv(inside, warm_c) + per_k * (warm_c - 20.0)
        rest = np.asarray(series * (np.interp(dod, DOD_FRAC, curve) + shift), dtype=float)
        factor = chemistry.resistance_by_dod.at(inside) * chemistry.resistance_by_temp.at(warm_c)
        return rest, np.asarray(rest - burst_ma * fresh_ohm * factor, dtype=float)

    rest, load = at(temp_c)
    return rest, load, at(temp_c + SWING_C)[1]


def _dead_d(carried: NDArray[np.bool_]) -> int:
    """Last day that carried a burst before seven without one."""
    good = np.append(np.flatnonzero(carried), len(carried) + 7)
    gaps = np.flatnonzero(np.diff(good) > 7)
    return int(good[gaps[0]]) + 1 if gaps.size else 0


def day_rows(cell: MadeCell, n_days: int) -> pd.DataFrame:
    """The DAY rows of a node up to a day, voltages at rest and under load."""
    wakes = np.round(cell.wakes[:n_days])
    seq = np.cumsum(wakes)
    day = DAY0 + np.arange(n_days)
    temp_c, rest, load = (values[:n_days] for values in (cell.temp_c, cell.rest_mv, cell.load_mv))
    columns: dict[str, object] = dict.fromkeys(DAY, np.nan)
    columns |= {name: 0.0 for name in DAY if name.split("_")[0] in ("n", "awake", "radio")}
    columns |= {"node_id": 0, "day": day, "seen": wakes, "missing": 0.0, "boots": 1.0, "n_timer": wakes}
    columns |= {"first_t": day * S_PER_D + 60.0, "last_t": day * S_PER_D + 86_000.0, "first_boot": 1, "last_boot": 1}
    columns |= {"first_seq": seq - wakes, "last_seq": seq - 1, "set_id": -1, "set_changes": 0}
    columns |= {"batt_count": wakes, "batt_mv": rest, "batt_min_mv": rest - 8.0, "batt_max_mv": rest + 8.0}
    columns |= {"batt_last_mv": rest, "tx_count": wakes, "batt_tx_mv": load, "batt_tx_min_mv": load}
    columns |= {"temp_count": wakes, "temp_c": temp_c, "temp_min_c": temp_c - SWING_C, "temp_max_c": temp_c + SWING_C}
    columns |= {"temp_factor_q10": 2.0 ** ((temp_c - 20.0) / 10.0), "temp_at_batt_c": temp_c}
    return pd.DataFrame(columns, index=range(n_days)).astype(DAY)


def measured(n_cells: int, seed: int) -> pd.DataFrame:
    """One row a cell: forecast at a random part of its life, and what came."""
    rng = np.random.default_rng(seed)
    kinds = chemistry_names()
    chemistries = {kind: load_chemistry(kind) for kind in kinds}
    rows = []
    for number in range(n_cells):
        kind = kinds[number % len(kinds)]
        cell = made_cell(kind, rng)
        n_days = max(int(rng.uniform(0.1, 0.95) * cell.dead_d), 8)
        if n_days >= cell.dead_d - 1:
            continue
        nodes = pd.DataFrame({name: [np.nan] for name in NODE})
        nodes = nodes.assign(node_id=0, node="made", profile="made", chemistry=kind, site="", fitted=DAY0 * S_PER_D)
        made = estimate_fleet(
            day_rows(cell, n_days),
            nodes,
            {"made": cell.profile},
            empty_frame(EVENT),
            as_of_at=datetime.fromtimestamp((DAY0 + n_days) * S_PER_D, UTC),
            since_at=None,
            settings=empty_frame(SETTING),
            chemistries=chemistries,
            draws=512,
        )
        left = 1.0 - cell.dod_frac[n_days - 1] / cell.dod_frac[cell.dead_d - 1]
        rows.append(_row(kind, made.nodes.iloc[0], cell.dead_d - n_days, float(left), len(made.swaps)))
    return pd.DataFrame(rows)


def _row(kind: str, one: pd.Series, true_d: float, left: float, swaps: int) -> dict[str, object]:
    return {
        "kind": kind,
        "error": one.days_left_p50 / true_d - 1.0,
        "in_80": one.days_left_p10 <= true_d <= one.days_left_p90,
        "too_late": true_d < one.days_left_p10,
        "left_error": one.charge_left - left,
        "left_in_90": one.charge_left_lo <= left <= one.charge_left_hi,
        "swaps": swaps,
    }


def summary(rows: pd.DataFrame) -> dict[str, float]:
    """Error and coverage of some cells."""
    error = rows["error"].abs()
    return {
        "n": len(rows),
        "median": round(float(error.median()), 3),
        "p90": round(float(error.quantile(0.9)), 3),
        "optimistic": round(float((rows["error"] > 0).mean()), 3),
        "in_80": round(float(rows["in_80"].mean()), 3),
        "too_late": round(float(rows["too_late"].mean()), 3),
        "left_mae": round(float(rows["left_error"].abs().mean()), 3),
        "left_in_90": round(float(rows["left_in_90"].mean()), 3),
        "false_swaps": int(rows["swaps"].sum()),
    }


def main() -> None:
    """Print the table."""
    n_cells, seed = (int(sys.argv[at]) if len(sys.argv) > at else default for at, default in ((1, 210), (2, 1)))
    rows = measured(n_cells, seed)
    table = {kind: summary(own) for kind, own in rows.groupby("kind")} | {"all": summary(rows)}
    print(pd.DataFrame(table).T.to_string())


if __name__ == "__main__":
    main()
