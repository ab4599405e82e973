"""Will brown out at the cold to come: the loaded voltage at the lowest temperature expected falls below cut-off."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView, FloatArray
from fleet.words import Flag

WINDOW_D = 42
LEAST_DAYS = 10
LEAST_SPAN_C = 4.0
COLDER_TO_COME_C = 4.0
SURE = 1.64
MARGIN_MV = 60.0
TROPIC_DEG = 20.0
BEFORE_NORTH = (8, 9, 10, 11, 12, 1)
BEFORE_SOUTH = (2, 3, 4, 5, 6, 7)


def cold_risk(view: FleetView) -> Verdicts:
    """True where the loaded voltage, by its line on temperature, falls below the cut-off in the cold expected.

    Notes
    -----
    Daily minima of six weeks on temperature and on the day, so that a cell which empties while it grows cold is not
    taken for one that hates the cold; the lower end of the slope counts. Expected is the lowest temperature that any
    node of the site told in a year's record, else 4 °C below the node's own lowest of six weeks, but only while
    winter is to come (by latitude; anywhere if that is not told).
    """
    temp = view["temp_min_c"][:, -WINDOW_D:]
    loaded = view["batt_tx_min_mv"][:, -WINDOW_D:]
    cutoff = view.profile_figure("cutoff_mv")
    n = len(cutoff)
    slope, now_mv, cold, lowest, score = (np.full(n, np.nan) for _ in range(5))
    for row in range(n):
        both = np.isfinite(temp[row]) & np.isfinite(loaded[row])
        if both.sum() < LEAST_DAYS or np.ptp(temp[row][both]) < LEAST_SPAN_C or not np.isfinite(cutoff[row]):
            continue
        mv, se = _line(np.flatnonzero(both).astype(float), temp[row][both], loaded[row][both])
        slope[row] = max(mv - SURE * se, 0.0)
        lowest[row] = temp[row][both].min()
        cold[row] = _site_low(view, row, lowest[row])
        recent = np.flatnonzero(both)[-7:]
        level_mv, level_c = float(np.median(loaded[row][recent])), float(np.median(temp[row][recent]))
        now_mv[row] = level_mv
        score[row] = (cutoff[row] - (level_mv + slope[row] * (cold[row] - level_c))) / MARGIN_MV
    known = np.isfinite(score)
    with np.errstate(invalid="ignore"):
        hit = known & (score > 0) & (now_mv > cutoff)
    predicted = cutoff - score * MARGIN_MV

    def say(index: int) -> str:
        return (
            f"{now_mv[index]:.0f} mV under load now, falling {slope[index]:.0f} mV a degree: "
            f"about {predicted[index]:.0f} mV at {cold[index]:.0f} °C, below the cut-off of {cutoff[index]:.0f} mV."
        )

    return verdicts(
        Flag.COLD_RISK,
        hit,
        known,
        since_d=np.full(n, float(view.first_day + view.shape[1] - 1)),
        strength=calibrated(Flag.COLD_RISK, score),
        say=say,
        part="battery before winter",
        window_d=7.0,
    )


def _line(day: FloatArray, temp_c: FloatArray, mv: FloatArray) -> tuple[float, float]:
    """Slope of voltage on temperature, the day's own course taken out, and its standard error. [mV/K]"""
    columns = np.column_stack([np.ones_like(day), day - day.mean(), temp_c - temp_c.mean()])
    inverse = np.linalg.pinv(columns.T @ columns)
    coefficient = inverse @ columns.T @ mv
    left = mv - columns @ coefficient
    return float(coefficient[2]), float(np.sqrt(left @ left / max(len(mv) - 3, 1) * inverse[2, 2]))


def _site_low(view: FleetView, index: int, own_low: float) -> float:
    """Lowest temperature to come. [°C]"""
    rows = view["temp_min_c"][view.site_codes == view.site_codes[index]]
    told = float(np.nanmin(rows)) if np.isfinite(rows).any() else np.nan
    if view.shape[1] >= 330:
        return told
    return min(own_low - COLDER_TO_COME_C, told) if _winter_comes(view, index) else own_low


def _winter_comes(view: FleetView, index: int) -> bool:
    latitude = float(view.nodes["latitude"].iloc[index])
    month = datetime.fromtimestamp(view.as_of_s, UTC).month
    if not np.isfinite(latitude) or abs(latitude) < TROPIC_DEG:
        return not np.isfinite(latitude)
    return month in (BEFORE_NORTH if latitude > 0 else BEFORE_SOUTH)
