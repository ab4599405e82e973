"""How fast each battery's voltage falls per charge counted, and whether and when it began to fall faster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleet.flags.view import FleetView, nan_mean, nan_median
from fleet.profiles.profile import Profile
from fleet.units import H_PER_D, S_PER_D, UA_PER_MA
from fleet.words import EventKind

FloatArray = npt.NDArray[np.float64]
LEAST_DAYS = 24
LEAST_BEFORE, LEAST_AFTER = 14, 5
OLDEST_D = 180
NOISE_FLOOR_MV = 1.0
MS_PER_MAH = 3.6e6


@dataclass(frozen=True)
class Slopes:
    """One entry a node, NaN where the voltage can't tell. shape (n_nodes,) each.

    `mv_per_mah` is the fall per counted charge with its standard error `mv_per_mah_se`; `extra_mah_per_d` what began to
    be lost on day `since_d` (window half `half_window_d`) beyond the count, `z` how many standard errors it is above 0;
    `counted_mah_per_d` the recent count; `fallen_mv` how far the voltage fell over the fit.
    """

    mv_per_mah: FloatArray
    mv_per_mah_se: FloatArray
    extra_mah_per_d: FloatArray
    z: FloatArray
    since_d: FloatArray
    half_window_d: FloatArray
    counted_mah_per_d: FloatArray
    fallen_mv: FloatArray


def voltage_slopes(view: FleetView) -> Slopes:
    """Slopes of all nodes, over the days since the present battery went in, at most 180.

    Notes
    -----
    Least squares of the daily voltage on temperature and on the charge counted with the profile's figures, then with a
    hinge on every day in turn; the best hinge is kept. Standard errors are widened by the residuals' first-order
    correlation. Where a node tells no temperature, its site's is taken. Left out: the knee at the end of a cell, which
    bends by itself; judge no hinge there.
    """
    n, days = view.shape
    counted = view.counted_mah
    cumulated = np.cumsum(np.where(np.isfinite(counted), counted, nan_mean(counted)[:, None]), axis=1)
    temp = _temperature(view)
    start = _battery_start(view)
    made = np.full((8, n), np.nan)
    for row in range(n):
        volts = view["batt_mv"][row]
        if np.isfinite(volts).sum() < LEAST_DAYS:
            volts = view["batt_tx_mv"][row]
        first = max(int(start[row]), days - OLDEST_D, 0)
        known = np.isfinite(volts) & np.isfinite(cumulated[row])
        known[:first] = False
        if known.sum() >= LEAST_DAYS and np.isfinite(temp[row][known]).all():
            day = np.flatnonzero(known).astype(float)
            made[:, row] = _fit(day, volts[known], temp[row][known], cumulated[row][known])
    made[4] += view.first_day
    made[6] = nan_mean(counted[:, -14:])
    return Slopes(*made)


def _fit(day: FloatArray, mv: FloatArray, temp_c: FloatArray, used_mah: FloatArray) -> tuple[float, ...]:
    scale = max(float(np.ptp(used_mah)), 1e-9)
    base = np.column_stack([np.ones_like(day), temp_c - temp_c.mean(), (used_mah - used_mah[0]) / scale])
    q, r = np.linalg.qr(base)
    residual = mv - q @ (q.T @ mv)
    se = _noise(residual) / np.sqrt(np.maximum(np.abs(np.diag(r)[2]), 1e-9) ** 2)
    fall = -float(np.linalg.lstsq(r, q.T @ mv, rcond=None)[0][2])
    hinge_at = day[LEAST_BEFORE : len(day) - LEAST_AFTER]
    if not len(hinge_at):
        return fall / scale, se / scale, *([np.nan] * 5), fall
    hinges = np.maximum(day[:, None] - hinge_at[None, :], 0.0)
    hinges = hinges - q @ (q.T @ hinges)
    square = np.maximum((hinges**2).sum(axis=0), 1e-9)
    drop = -(hinges.T @ residual) / square
    gain = np.where(drop > 0, drop**2 * square, 0.0)
    best = int(gain.argmax())
    left = residual + drop[best] * hinges[:, best]
    noise = _noise(left)
    near = np.flatnonzero(gain > gain[best] - 4.0 * noise**2)
    with_hinge = np.column_stack([base, np.maximum(day - hinge_at[best], 0.0)])
    coefficient = np.linalg.lstsq(with_hinge, mv, rcond=None)[0]
    per_mah = max(-float(coefficient[2]) / scale, 1e-9)
    return (
        per_mah,
        se / scale,
        float(drop[best]) / max(per_mah, 0.2 * fall / scale, 1e-9),
        float(drop[best]) * np.sqrt(square[best]) / noise,
        float(hinge_at[best]),
        float(max(np.ptp(hinge_at[near]) / 2.0, 1.0)),
        0.0,
        fall,
    )


def _noise(residual: FloatArray) -> float:
    """Spread of residuals, widened by their correlation from one day to the next. [mV]"""
    sd = max(
        float(1.4826 * np.median(np.abs(residual - np.median(residual)))), float(residual.std()) * 0.7, NOISE_FLOOR_MV
    )
    square = float(residual @ residual)
    rho = float(np.clip(residual[1:] @ residual[:-1] / max(square, 1e-9), 0.0, 0.9))
    return sd * float(np.sqrt((1.0 + rho) / (1.0 - rho)))


def counted_mah(view: FleetView) -> FloatArray:
    """Charge of each node-day by the profile's figures and the record's lengths. [mAh], shape (n_nodes, n_days)"""
    radio_ms, radio_count = (_over_groups(view, name) for name in ("radio_ms", "radio_count"))
    awake_ms, awake_count = (_over_groups(view, name) for name in ("awake_ms", "awake_count"))
    made = np.full(view.shape, np.nan)
    for row, name in enumerate(view.nodes["profile"]):
        profile = view.profiles.get(str(name))
        if profile is None:
            continue
        radio = _length(radio_ms[row], radio_count[row], profile.radio.length_ms.mean if profile.radio else 0.0)
        usual_awake = profile.wake.length_ms.mean + (profile.radio.length_ms.mean if profile.radio else 0.0)
        awake = np.maximum(_length(awake_ms[row], awake_count[row], usual_awake), radio)
        radio_ma = profile.radio.current_ma.mean if profile.radio else 0.0
        wake_mah = (radio * radio_ma + (awake - radio) * profile.wake.current_ma.mean) / MS_PER_MAH
        made[row] = view.wakes[row] * wake_mah + _sleep_ua(profile) * H_PER_D / UA_PER_MA
    return made


def _over_groups(view: FleetView, name: str) -> FloatArray:
    groups = ("timer", "band", "reset", "other", "unknown")
    return np.asarray(sum(np.nan_to_num(view[f"{name}_{group}"]) for group in groups), dtype=float)


def _length(total_ms: FloatArray, count: FloatArray, usual_ms: float) -> FloatArray:
    return np.where(count > 0, total_ms / np.maximum(count, 1.0), usual_ms)


def _sleep_ua(profile: Profile) -> float:
    resting = profile.sleep.current_ua.mean
    if profile.coprocessor is None:
        return resting
    one = profile.coprocessor
    # mA times µs over ms is µA
    return resting + one.run_ma.mean * one.run_us.mean / one.period_ms


def _temperature(view: FleetView) -> FloatArray:
    """Temperature at the battery's readings, the day's or the site's where it is not told; 20 °C where nobody knows."""
    own = np.where(np.isfinite(view["temp_at_batt_c"]), view["temp_at_batt_c"], view["temp_c"])
    filled = own.copy()
    for code in np.unique(view.site_codes):
        rows = np.flatnonzero(view.site_codes == code)
        middle = nan_median(own[rows].T)
        filled[rows] = np.where(np.isfinite(own[rows]), own[rows], middle[None, :])
    # Without any thermometer at the site a season would look like a leak: such nodes are not judged.
    return filled


def _battery_start(view: FleetView) -> FloatArray:
    """Column of the first day that the present battery was in for the whole day. shape (n_nodes,)"""
    start = np.nan_to_num(view.estimates["battery_from"].to_numpy(float) / S_PER_D - view.first_day, nan=0.0)
    swaps = view.told(EventKind.SWAP).groupby("node_id")["at"].max().reindex(view.node_ids).to_numpy(float)
    untold = view.swaps.groupby("node_id")["at"].max().reindex(view.node_ids).to_numpy(float)
    for moment in (swaps, untold):
        start = np.fmax(start, moment / S_PER_D - view.first_day)
    return np.ceil(np.maximum(start, 0.0)) + 1
