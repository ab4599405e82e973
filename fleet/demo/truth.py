"""What really was so with each simulated node: for tests and benches, never for the tool."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.demo.drain import Drain, drain_of
from fleet.demo.lives import NodeLife
from fleet.demo.nodes import wake_mc
from fleet.demo.spec import Fault, FaultKind
from fleet.units import D_PER_WEEK, MS_PER_S, S_PER_D, S_PER_H, UA_PER_MA

FloatArray = NDArray[np.float64]
DEAD_AFTER_S = D_PER_WEEK * S_PER_D
LOAD_TEMP_C = 10.0

TRUTH_COLUMNS = {
    "node_id": "int32",
    "node": "str",
    "site": "str",
    "faults": "object",  # tuple of Fault
    "kinds": "str",  # their kinds, joined by commas; "" for a healthy node
    "onset_at_s": "float64",  # of the first; NaN for a healthy node
    "wakes": "float64",  # main-processor wakes in the span, all of them
    "wakes_seen": "float64",  # of which a record arrived
    "duty_main": "float64",
    "drain_mah_per_day": "float64",  # mean over the span, self-discharge included
    "drain_last_mah_per_day": "float64",  # mean over the last 14 days
    "floor_ua": "float64",  # at the end
    "wake_charge_mc": "float64",  # mean of the span
    "usable_mah": "float64",  # of the cell in the node at the end, full, at 10 °C
    "used_mah": "float64",
    "charge_left_frac": "float64",
    "dead_at_s": "float64",  # last carried burst before seven days without one; NaN while it lives
}


def truth_frame(lives: tuple[NodeLife, ...]) -> pd.DataFrame:
    """One row a node."""
    rows = [_row(number, life) for number, life in enumerate(lives, start=1)]
    return pd.DataFrame(rows, columns=list(TRUTH_COLUMNS)).astype(TRUTH_COLUMNS)


def _row(number: int, life: NodeLife) -> dict[str, object]:
    world, spec, parts = life.world, life.world.spec, life.parts
    t_s, awake_ms, radio_ms = (_all(life, name) for name in ("t_s", "awake_ms", "radio_ms"))
    last = life.stretches[-1]
    span_s = last.ended.at_s - life.stretches[0].begun.at_s
    usable_mah = last.begun.cell.usable_mah(parts.radio_ma, LOAD_TEMP_C)
    drain = drain_of(world, parts, last.begun.settings, last.begun.cell)
    return {
        "node_id": number,
        "node": spec.node,
        "site": spec.creek.name,
        "faults": spec.faults,
        "kinds": ",".join(fault.kind for fault in spec.faults),
        "onset_at_s": min((_onset_s(life, fault) for fault in spec.faults), default=np.nan),
        "wakes": len(t_s),
        "wakes_seen": int(_all(life, "arrives").sum()),
        "duty_main": awake_ms.sum() / MS_PER_S / span_s,
        "drain_mah_per_day": sum(_spent_mah(life)) / (span_s / S_PER_D),
        "drain_last_mah_per_day": _recent_mah_per_d(life, min(14, world.days)),
        "floor_ua": floor_ua_at(drain, last.ended.at_s),
        "wake_charge_mc": wake_mc(parts, awake_ms, radio_ms).mean() if len(t_s) else np.nan,
        "usable_mah": usable_mah,
        "used_mah": last.ended.used_mah,
        "charge_left_frac": max(0.0, 1 - last.ended.used_mah / usable_mah),
        "dead_at_s": died_s(t_s, _all(life, "carried").astype(bool), last.ended.at_s),
    }


def floor_ua_at(drain: Drain, t_s: float) -> float:
    """Sleep floor with any leak at a moment. [µA]"""
    hour = int(min((t_s - drain.since_s) / S_PER_H, len(drain.floor_ma) - 1))
    return float(drain.floor_ma[hour] * UA_PER_MA)


def _all(life: NodeLife, name: str) -> FloatArray:
    return np.concatenate([np.asarray(getattr(stretch.wakes, name), dtype=float) for stretch in life.stretches])


def _onset_s(life: NodeLife, fault: Fault) -> float:
    from_fitting = fault.kind is FaultKind.WEAK_CELL
    return life.stretches[0].begun.fitted_s if from_fitting else life.world.since_s + fault.onset_d * S_PER_D


def _spent_mah(life: NodeLife) -> list[float]:
    return [stretch.ended.used_mah - stretch.begun.used_mah for stretch in life.stretches]


def _recent_mah_per_d(life: NodeLife, days: int) -> float:
    """Mean daily charge of the last days, as far as the last stretch reaches. [mAh/d]"""
    last = life.stretches[-1]
    from_s = max(last.ended.at_s - days * S_PER_D, last.begun.at_s)
    t_s = np.concatenate([[last.begun.at_s], last.wakes.t_s, [last.ended.at_s]])
    used = np.concatenate([[last.begun.used_mah], last.wakes.used_mah, [last.ended.used_mah]])
    span_d = (last.ended.at_s - from_s) / S_PER_D
    return float((last.ended.used_mah - np.interp(from_s, t_s, used)) / span_d) if span_d > 0 else np.nan


def died_s(t_s: FloatArray, carried: NDArray[np.bool_], end_s: float) -> float:
    """Last wake whose burst the battery carried before seven days without one; NaN if there is none. [s]

    >>> died_s(np.array([0.0, 86400.0]), np.array([True, True]), 10 * 86400.0)
    86400.0
    """
    good = np.concatenate([t_s[carried], [end_s]])
    gaps = np.flatnonzero(np.diff(good) >= DEAD_AFTER_S)
    return float(good[gaps[-1]]) if gaps.size and gaps[-1] == len(good) - 2 else float("nan")
