"""The law of a reading of which most values were never sent: only 'it stayed inside the band' is known of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr

from fleet.errors import EstimateError


@dataclass(frozen=True)
class CensoredNormal:
    """A normal law fitted to exact and interval-censored values; spreads are standard errors for `n_effective`."""

    mean: float
    sd: float
    mean_se: float
    log_sd_se: float
    n_effective: float

    def outside_frac(self, lo: float, hi: float) -> float:
        """Share of time outside a band."""
        return float(ndtr((lo - self.mean) / self.sd) + ndtr((self.mean - hi) / self.sd))


def effective_count(n: float, rho: float) -> float:
    """Independent values that tell as much about the mean as n values of an autoregressive signal.

    Notes
    -----
    n (1 - rho) / (1 + rho), for n well above 1 / (1 - rho). Source: textbook result for a first-order autoregression.

    Examples
    --------
    >>> round(effective_count(2000, 0.99), 2)
    10.05
    """
    return n * (1.0 - rho) / (1.0 + rho)


def fit_censored_normal(
    exact: np.ndarray,
    lo: np.ndarray,
    hi: np.ndarray,
    weights: np.ndarray,
    *,
    n_effective: float | None = None,
) -> CensoredNormal:
    """Normal law by likelihood from exact values and from counts of values only known to lie inside a band.

    Parameters
    ----------
    exact
        Values that were sent.
    lo, hi
        Edges of each band within which values stayed unsent, in the reading's unit; may be infinite.
    weights
        How many values stayed inside each.
    n_effective
        Independent values that all of them are worth; errors are widened to it. Without it: their count.

    Raises
    ------
    EstimateError
        If there are fewer than 3 values in all, or they have no spread.

    Notes
    -----
    Interval-censored normal likelihood; errors from its curvature. The spread of the sent values alone is far too
    large, since only the outer ones are sent.

    Examples
    --------
    Without censoring it is the mean and the standard deviation:

    >>> none = np.empty(0)
    >>> fit = fit_censored_normal(np.array([1.0, 2.0, 3.0, 4.0]), none, none, none)
    >>> round(fit.mean, 4), round(fit.sd, 4)
    (2.5, 1.118)
    """
    n = len(exact) + float(weights.sum())
    if n < 3 or (len(exact) and float(np.ptp(exact)) == 0.0 and not len(lo)):
        raise EstimateError(f"censored fit: {n:.0f} values without spread; at least 3 that differ are needed.")
    centre, scale = _first_guess(exact, lo, hi)

    def loss(at: np.ndarray) -> float:
        sd = np.exp(at[1])
        seen = -0.5 * ((exact - at[0]) / sd) ** 2 - at[1]
        return -float(seen.sum() + (weights * _log_inside((lo - at[0]) / sd, (hi - at[0]) / sd)).sum()) / n

    # Work in units of the first guess, so that one step size serves all readings.
    exact, lo, hi = (exact - centre) / scale, (lo - centre) / scale, (hi - centre) / scale
    best = minimize(loss, np.zeros(2), method="BFGS", options={"gtol": 1e-9})
    mean, log_sd = (float(v) for v in best.x)
    curve = _curvature(loss, best.x)
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(curve)), 0.0) / (n_effective or n))
    sd = float(np.exp(log_sd)) * scale
    return CensoredNormal(centre + mean * scale, sd, float(spread[0]) * scale, float(spread[1]), n_effective or n)


def _first_guess(exact: np.ndarray, lo: np.ndarray, hi: np.ndarray) -> tuple[float, float]:
    """Where the search starts: the middle of all finite values and a quarter of their range."""
    known = np.concatenate([exact, lo[np.isfinite(lo)], hi[np.isfinite(hi)]])
    return float(known.mean()), max(float(np.ptp(known)) / 4.0, 1e-12 + 1e-9 * abs(float(known.mean())))


def _log_inside(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Log of the normal probability between a and b, safe far out in either tail."""
    flip = a > 0
    low, high = np.where(flip, -b, a), np.where(flip, -a, b)
    top = log_ndtr(high)
    return np.asarray(top + np.log1p(-np.exp(np.minimum(log_ndtr(low) - top, -1e-15))))


def _curvature(loss: object, at: np.ndarray, step: float = 1e-3) -> np.ndarray:
    """Second derivatives by central differences."""
    assert callable(loss)
    eye = np.eye(len(at)) * step
    rows = [[loss(at + i + j) - loss(at + i - j) - loss(at - i + j) + loss(at - i - j) for j in eye] for i in eye]
    return np.array(rows) / (4.0 * step**2)
