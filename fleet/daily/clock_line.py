"""How fast a node's clock runs, from times of arrival that can be late but never early: the line below all points."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
PPM = 1e6


def skew_ppm(clock_s: ArrayLike, arrived_s: ArrayLike) -> float:
    """Rate at which arrival less clock grows: above 0 the node's clock is slow. NaN for fewer than two moments. [ppm]

    Parameters
    ----------
    clock_s
        Node's clock. [s]
    arrived_s
        Arrival by the tool's clock. [s]

    Notes
    -----
    Delay is never negative, so of all lines that no point lies below the one with the least sum of distances is taken.
    It lies along the edge of the lower hull over the mean time. Least squares would follow the queue's delays.
    Source: Moon, Skelly and Towsley, IEEE INFOCOM 1999 (method by linear programme; abstract seen).

    Examples
    --------
    Six points, a true 20 ppm, delays 0, .04, .01, .09, .12 and 0 s:

    >>> at = np.arange(6) * 1000.0
    >>> delay = np.array([0, 0.04, 0.01, 0.09, 0.12, 0])
    >>> round(skew_ppm(at, at * (1 + 20e-6) + delay), 6)
    20.0
    """
    x, y = np.asarray(clock_s, dtype=float), np.asarray(arrived_s, dtype=float)
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], (y - x)[known]
    if len(x) < 2 or x.max() == x.min():
        return float("nan")
    order = np.lexsort((y, x))
    hull_x, hull_y = _lower_hull(x[order], y[order])
    edge = int(np.clip(np.searchsorted(hull_x, x.mean(), side="right") - 1, 0, len(hull_x) - 2))
    return float((hull_y[edge + 1] - hull_y[edge]) / (hull_x[edge + 1] - hull_x[edge]) * PPM)


def _lower_hull(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points of the lower convex hull, x rising (Andrew's monotone chain)."""
    hull: list[tuple[float, float]] = []
    for point in zip(x.tolist(), y.tolist(), strict=True):
        if hull and point[0] == hull[-1][0]:
            continue
        while len(hull) > 1 and _turns_right(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    lower = np.array(hull)
    return lower[:, 0], lower[:, 1]


def _turns_right(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0


def drift_s(rate_ppm: float, time_s: float) -> float:
    """How far a clock of this rate is off after a time. [s]

    >>> round(drift_s(20.0, 31 * 86_400), 3)
    53.568
    """
    return rate_ppm / PPM * time_s


def crystal_rate_ppm(temp_c: ArrayLike, *, turnover_c: float = 25.0, curve_ppm_per_k2: float = -0.034) -> FloatArray:
    """Rate of a tuning-fork crystal away from its turnover temperature. [ppm]

    Notes
    -----
    The shape is from a maker's note, the coefficient from memory.

    >>> crystal_rate_ppm([-10.0, 0.0, 45.0]).round(2)
    array([-41.65, -21.25, -13.6 ])
    """
    return np.asarray(curve_ppm_per_k2 * (np.asarray(temp_c, dtype=float) - turnover_c) ** 2, dtype=float)
