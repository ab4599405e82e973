"""Proof afterwards: what was predicted for an order against what came, and how much wider later predictions must be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fleet.advice.drain import Z80
from fleet.errors import EstimateError

FIGURES = ("wakes_per_day", "drain_mah_per_day", "days_left")
COLUMNS = ("node_id", *(f"{name}{end}" for name in FIGURES for end in ("", "_lo", "_hi", "_real")), "told_wrong")
POOLED_WEIGHT = 4.0
WRONG_LOG = float(np.log(2.0))


@dataclass(frozen=True)
class Scorecard:
    """Orders put to the proof: one row an order, and over all of them error, share within the 80 % interval, widening.

    `wider_log_sd` is, by node, the spread to add to later predictions; `pooled_log_sd` that for a node without proof.
    Error and share held are those of the wakes; `pooled` gives them for each figure.
    """

    orders: pd.DataFrame
    median_error_frac: float
    held_frac: float
    pooled_log_sd: float
    wider_log_sd: Mapping[int, float]


def scorecard(proven: pd.DataFrame) -> Scorecard:
    """Predicted against realised wakes, drain and life of orders in force, by node and pooled.

    Parameters
    ----------
    proven
        One row an order: `node_id`, predicted figures with `_lo` and `_hi`, what came as `_real` (NaN if not known
        yet), and `told_wrong`: a person said that this advice was wrong. Days left count from the prediction; what
        came of them is what is believed now, or the day it died.

    Returns
    -------
    The scorecard; its figures are NaN where nothing is proven yet.

    Raises
    ------
    EstimateError
        If a column is missing.

    Notes
    -----
    Only wakes widen: drain and life rest on the battery too. The spread to add is what the squared logarithmic errors
    exceed those that the intervals promised; a node's own are pooled with all others as if the fleet had
    `POOLED_WEIGHT` orders of that node. An advice told wrong counts as an
    error by a factor of 2, unless it was larger.
    """
    missing = [name for name in COLUMNS if name not in proven.columns]
    if missing:
        raise EstimateError(
            f"scorecard: column {missing[0]} is missing. Give predicted and realised figures of each order."
        )
    orders = proven.copy()
    for name in FIGURES:
        orders[f"{name}_log_error"] = _log_error(proven, name)
        orders[f"{name}_held"] = _held(proven, name)
    error = orders["wakes_per_day_log_error"].to_numpy(float)
    promised = _promised(proven, "wakes_per_day")
    known = np.isfinite(error)
    if not known.any():
        return Scorecard(orders, float("nan"), float("nan"), 0.0, {})
    excess = error**2 - promised**2
    pooled = float(np.mean(excess[known]))
    by_node = {}
    for node_id in np.unique(proven["node_id"].to_numpy()[known]):
        own = excess[known & (proven["node_id"].to_numpy() == node_id)]
        mixed = (own.sum() + POOLED_WEIGHT * pooled) / (len(own) + POOLED_WEIGHT)
        by_node[int(node_id)] = float(np.sqrt(max(mixed, 0.0)))
    held = orders["wakes_per_day_held"].dropna().astype(float)
    median = float(np.median(np.abs(np.expm1(error[known]))))
    return Scorecard(orders, median, float(held.mean()), float(np.sqrt(max(pooled, 0.0))), by_node)


def pooled(orders: pd.DataFrame) -> list[dict[str, float | int | str | None]]:
    """Of each figure over all orders: how many are proven, median error, and share within the 80 % interval.

    `orders` is that of a scorecard.
    """
    rows: list[dict[str, float | int | str | None]] = []
    for name in FIGURES:
        real = (orders[f"{name}_real"] / orders[name]).to_numpy(float)
        error = np.abs(real[np.isfinite(real)] - 1.0)
        held = orders[f"{name}_held"].dropna().astype(float)
        median = float(np.median(error)) if len(error) else None
        share = float(held.mean()) if len(held) else None
        rows.append({"figure": name, "proven": len(error), "median_error_frac": median, "held_frac": share})
    return rows


def _log_error(proven: pd.DataFrame, name: str) -> np.ndarray:
    """Logarithm of realised over predicted; at least a factor of 2 where a person told the advice wrong."""
    real, told = proven[f"{name}_real"].to_numpy(float), proven[name].to_numpy(float)
    usable = (real > 0) & (told > 0)
    error = np.full(len(real), np.nan)
    error[usable] = np.log(real[usable] / told[usable])
    wrong = proven["told_wrong"].to_numpy(bool)
    at_least = np.where(np.nan_to_num(error) < 0, -WRONG_LOG, WRONG_LOG)
    return np.where(wrong & ~(np.abs(np.nan_to_num(error)) > WRONG_LOG), at_least, error)


def _held(proven: pd.DataFrame, name: str) -> pd.Series:
    """True where what came lay within the interval; NA where either is not known."""
    real = proven[f"{name}_real"]
    held = real.ge(proven[f"{name}_lo"]) & real.le(proven[f"{name}_hi"])
    return held.astype("boolean").mask(real.isna() | proven[f"{name}_lo"].isna())


def _promised(proven: pd.DataFrame, name: str) -> np.ndarray:
    """Spread of the logarithm that the 80 % interval stands for."""
    low, high = proven[f"{name}_lo"].to_numpy(float), proven[f"{name}_hi"].to_numpy(float)
    promised = np.log(np.maximum(high, 1e-9) / np.maximum(low, 1e-9)) / (2.0 * Z80)
    return np.asarray(np.nan_to_num(promised))  # an advice told wrong may have no prediction
