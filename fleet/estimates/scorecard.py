"""Forecasts of the past against what came: one row for the fleet, each chemistry and each site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fleet.estimates.alive import alive_frac_at
from fleet.estimates.scores import alpha_lambda, brier, conformal_factor, pinball, share_limits
from fleet.estimates.two_piece import Z90, ended_by_frac, quantile_d, spread_log, widened
from fleet.frames import DEAD_BY_D
from fleet.units import S_PER_D

LEVEL = 0.8
CRPS_LEVELS = np.arange(0.025, 1.0, 0.05)
NODES_FOR_CORRECTION = 20  # fewer ended lives say too little to widen or narrow an interval
FORECAST_COLUMNS = ("node_id", "at", "days_left_p10", "days_left_p50", "days_left_p90")
OUTCOME_COLUMNS = ("node_id", "start", "dead_at", "alive_until")


@dataclass(frozen=True)
class Scorecard:
    """`rows` has one row a group; see `score_forecasts`. `conformal_factor` is NaN where too few lives have ended."""

    rows: pd.DataFrame
    conformal_factor: float


def score_forecasts(forecasts: pd.DataFrame, outcomes: pd.DataFrame) -> Scorecard:
    """How past forecasts of remaining life compare with what happened.

    Parameters
    ----------
    forecasts
        One row a node and moment: `node_id`, `at` [s since 1970], `days_left_p10 _p50 _p90`, and, if there, `dead_by_7`
        and so on, `chemistry`, `site`. Rows without a forecast (NaN) are counted, not scored.
    outcomes
        One row a battery: `node_id`, `start` and `dead_at` [s since 1970, NaN while it lives], `alive_until` (last
        moment it is known to have lived: a swap of a battery that still worked, a retirement, or now). A forecast
        belongs to the battery of its node that was in use then.

    Returns
    -------
    Rows `group`, `key` ("" for the fleet), `forecasts`, `without` (moments with no forecast), `nodes_ended`, `coverage`
    of P10–P90 with exact 95 % limits for as many nodes, `crps_d`, `pinball_d`, `alpha_lambda` (share within 20 % of the
    true remaining life), `alpha_lambda_half` (only forecasts at 40 to 60 % of life), `median_error` (|P50 − truth| over
    truth), `optimistic` (share with P50 above the truth), `brier_<days>`.

    Notes
    -----
    A battery that still lives is not left out, which would make every forecast look too long: coverage is a
    product-limit estimate on the forecast's own probability scale, and a Brier score counts where the horizon has
    passed. CRPS, pinball, α–λ and errors rest on ended lives. Forecasts of one node hang together, so limits count
    nodes, not forecasts.
    """
    table = _joined(forecasts, outcomes)
    groups = [("fleet", "", table)]
    for group in ("chemistry", "site"):
        if group in table:
            groups += [(group, str(key), part) for key, part in table.groupby(group, sort=True)]
    rows = pd.DataFrame([{"group": group, "key": key, **_scored(part)} for group, key, part in groups])
    return Scorecard(rows, _correction(table[table["scored"] & table["ended"]]))


def corrected(estimates: pd.DataFrame, factor: float) -> pd.DataFrame:
    """Estimates with life intervals widened or narrowed by the factor of a scorecard; unchanged if it is NaN.

    Notes
    -----
    The middle stays. P10, P90 and `dead_by_*` follow the three quantiles as a two-piece normal in the logarithm.
    """
    if not np.isfinite(factor) or factor == 1.0:
        return estimates
    made = estimates.copy()
    forecast = made[list(FORECAST_COLUMNS[2:])].notna().all(axis=1).to_numpy(bool)
    quantiles = widened(*_quantiles(made.loc[forecast]), factor)
    for name, values in zip(FORECAST_COLUMNS[2:], quantiles, strict=True):
        made.loc[forecast, name] = values
    for horizon in DEAD_BY_D:
        made.loc[forecast, f"dead_by_{horizon}"] = ended_by_frac(float(horizon), *quantiles)
    return made


def _joined(forecasts: pd.DataFrame, outcomes: pd.DataFrame) -> pd.DataFrame:
    """Forecasts with the battery they speak of, and what is known of its remaining life."""
    lives = outcomes.loc[outcomes["start"].notna(), list(OUTCOME_COLUMNS)].astype({"node_id": "int64"})
    lives = lives.sort_values("start")
    asked = forecasts.astype({"node_id": "int64"}).sort_values("at").reset_index(drop=True)
    table = pd.merge_asof(asked, lives, left_on="at", right_on="start", by="node_id")
    known = np.fmax(table["dead_at"].to_numpy(float), table["alive_until"].to_numpy(float))
    ended = np.isfinite(table["dead_at"].to_numpy(float))
    table["life_d"] = (np.where(ended, table["dead_at"], known) - table["at"]) / S_PER_D
    table["ended"] = ended & (table["life_d"].to_numpy(float) > 0)
    forecast = table[list(FORECAST_COLUMNS[2:])].notna().all(axis=1)
    table["scored"] = forecast & (table["life_d"] > 0)
    table["without"] = ~forecast & (table["life_d"] > 0)
    return table


def _scored(table: pd.DataFrame) -> dict[str, float]:
    used = table[table["scored"]]
    ended = used[used["ended"]]
    n_ended = int(ended["node_id"].nunique())
    made: dict[str, float] = {"forecasts": len(used), "without": int(table["without"].sum()), "nodes_ended": n_ended}
    coverage = _coverage(used)
    low, high = share_limits(coverage * n_ended, n_ended) if np.isfinite(coverage) else (np.nan, np.nan)
    made |= {"coverage": coverage, "coverage_lo": low, "coverage_hi": high}
    return {**made, **_errors(ended), **_brier_scores(used)}


def _quantiles(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    low, middle, high = (table[name].to_numpy(float) for name in FORECAST_COLUMNS[2:])
    return low, middle, high


def _coverage(used: pd.DataFrame) -> float:
    """Share of truths inside P10–P90, batteries that still live included by the product-limit estimate."""
    if not used["ended"].any():
        return float("nan")
    place = ended_by_frac(used["life_d"].to_numpy(float), *_quantiles(used))
    ended = used["ended"].to_numpy(bool)
    weight = 1.0 / used.groupby("node_id")["node_id"].transform("size").to_numpy(float)
    inside = alive_frac_at(place, ended, np.array([0.1 - 1e-9, 0.9 + 1e-9]), weights=weight)
    return float(inside[0] - inside[1])


def _errors(ended: pd.DataFrame) -> dict[str, float]:
    names = ("crps_d", "pinball_d", "alpha_lambda", "alpha_lambda_half", "median_error", "optimistic")
    if not len(ended):
        return dict.fromkeys(names, float("nan"))
    truth = ended["life_d"].to_numpy(float)
    low, middle, high = _quantiles(ended)
    losses = [pinball(quantile_d(level, low, middle, high), level, truth) for level in CRPS_LEVELS]
    three = [pinball(value, level, truth) for value, level in ((low, 0.1), (middle, 0.5), (high, 0.9))]
    within = alpha_lambda(middle, truth)
    used_s = (ended["at"] - ended["start"]).to_numpy(float)
    lived_frac = used_s / (used_s + truth * S_PER_D)
    half = (lived_frac > 0.4) & (lived_frac < 0.6)
    return {
        "crps_d": float(2.0 * np.mean(losses)),
        "pinball_d": float(np.mean(three)),
        "alpha_lambda": float(within.mean()),
        "alpha_lambda_half": float(within[half].mean()) if half.any() else float("nan"),
        "median_error": float(np.median(np.abs(middle - truth) / truth)),
        "optimistic": float((middle > truth).mean()),
    }


def _brier_scores(used: pd.DataFrame) -> dict[str, float]:
    """Mean Brier score of each horizon, over forecasts whose horizon has passed or whose battery has ended."""
    made: dict[str, float] = {}
    life = used["life_d"].to_numpy(float)
    ended = used["ended"].to_numpy(bool)
    for horizon in DEAD_BY_D:
        name = f"dead_by_{horizon}"
        given = used[name].to_numpy(float) if name in used else np.full(len(used), np.nan)
        settled = np.isfinite(given) & (ended | (life >= horizon))
        score = brier(given[settled], ended[settled] & (life[settled] <= horizon))
        made[f"brier_{horizon}"] = float(score.mean()) if settled.any() else float("nan")
    return made


def _correction(ended: pd.DataFrame) -> float:
    """Factor on the half-widths of P10–P90, in the logarithm, that past ended lives ask for."""
    if ended["node_id"].nunique() < NODES_FOR_CORRECTION:
        return float("nan")
    middle, below, above = spread_log(*_quantiles(ended))
    off = np.log(np.maximum(ended["life_d"].to_numpy(float), 1e-3)) - middle
    weight = 1.0 / ended.groupby("node_id")["node_id"].transform("size").to_numpy(float)
    return conformal_factor(np.abs(off) / (Z90 * np.where(off < 0, below, above)), weight, level=LEVEL)
