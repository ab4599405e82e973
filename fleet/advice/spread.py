"""How far and how fast a reading wanders about its cycle, and its ripple: from pairs of samples and sleep summaries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LAGS = (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233)
TAUS_COUNT = 28


@dataclass(frozen=True)
class Spread:
    """Ornstein-Uhlenbeck part (`sd`, `tau_s`) and ripple (`ripple_sd`) of one poll as averaged now."""

    sd: float
    tau_s: float
    ripple_sd: float
    ripple_known: bool


@dataclass(frozen=True)
class Variances:
    """Mean squared spreads by time: half squared differences of samples, and variances within sleeps."""

    lag_s: np.ndarray
    value: np.ndarray
    weights: np.ndarray
    ripple: np.ndarray  # 1 where ripple is in the values, 0 where it was averaged out


def pair_variances(t: np.ndarray, residual: np.ndarray, *, has_ripple: bool) -> Variances:
    """Half squared differences of samples, in bins of their distance.

    >>> seen = pair_variances(np.arange(400.0) * 60.0, np.tile([0.0, 1.0], 200), has_ripple=True)
    >>> round(float(seen.value[0]), 3)  # half of 1 squared, with the allowance for what is trimmed
    0.525
    """
    lags, squares = [], []
    for k in LAGS:
        if k < len(t) // 2:
            lags.append(t[k:] - t[:-k])
            squares.append(0.5 * (residual[k:] - residual[:-k]) ** 2)
    if not lags:
        none = np.empty(0)
        return Variances(none, none, none, none)
    return _binned(np.concatenate(lags), np.concatenate(squares), has_ripple=has_ripple)


def whole_variance(t: np.ndarray, residual: np.ndarray, weights: np.ndarray, *, has_ripple: bool) -> Variances:
    """Variance of all samples, each for the time it stands for, as that of pairs half a span apart."""
    share = weights / weights.sum()
    mean = float(share @ residual)
    variance = float(share @ (residual - mean) ** 2)
    one = np.ones(1)
    return Variances(one * max(float(t[-1] - t[0]) / 2.0, 1.0), one * variance, one * 10.0, one * has_ripple)


def _binned(lag_s: np.ndarray, value: np.ndarray, *, has_ripple: bool) -> Variances:
    keep = (lag_s > 0) & np.isfinite(value)
    lag_s, value = lag_s[keep], value[keep]
    which = np.round(np.log(lag_s) * 3.0).astype(int)
    rows = []
    for one in np.unique(which):
        mine = which == one
        if mine.sum() < 5:
            continue
        inner = value[mine]
        # The outer 2 % are storms and spikes: a normal sample loses 5 % of its variance with them.
        inner = inner[inner <= np.quantile(inner, 0.98)]
        rows.append((float(np.exp(np.log(lag_s[mine]).mean())), 1.05 * float(inner.mean()), float(mine.sum())))
    lag, mean, count = np.array(rows).T if rows else np.empty((3, 0))
    return Variances(lag, mean, np.sqrt(np.minimum(count, 400.0)), np.full(len(lag), float(has_ripple)))


def fit_spread(
    parts: list[Variances], *, shortest_s: float, longest_s: float, ripple_sd: float | None = None
) -> Spread:
    """Spread whose expected variances come closest to those seen.

    Parameters
    ----------
    parts
        Variances of pairs.
    shortest_s, longest_s
        Range of correlation times tried. [s]
    ripple_sd
        Ripple where it is known otherwise.

    Notes
    -----
    For a correlation time ripple and wandering enter linearly, r^2 + s^2 (1 - exp(-lag / tau)), so each is a small
    non-negative least-squares problem; the best of 28 correlation times is taken. Relative errors count.

    Examples
    --------
    >>> lag = np.geomspace(60.0, 1e6, 30)
    >>> seen = Variances(lag, 0.01 + 4.0 * -np.expm1(-lag / 3600.0), np.ones(30), np.ones(30))
    >>> found = fit_spread([seen], shortest_s=36.0, longest_s=360_000.0)
    >>> abs(found.sd - 2.0) < 0.1, 2400.0 < found.tau_s < 5400.0
    (True, True)
    """
    lag_s = np.concatenate([part.lag_s for part in parts])
    value = np.concatenate([part.value for part in parts])
    ripples = np.concatenate([part.ripple for part in parts])
    if not len(lag_s):
        return Spread(0.0, longest_s, ripple_sd or 0.0, ripple_known=ripple_sd is not None)
    weights = np.concatenate([part.weights for part in parts]) / np.maximum(value, 1e-12 + 1e-4 * value.max())
    best: tuple[float, Spread] | None = None
    for tau_s in np.geomspace(shortest_s, max(longest_s, 2.0 * shortest_s), TAUS_COUNT):
        shape = -np.expm1(-lag_s / tau_s)
        if ripple_sd is None:
            ripple, wander, loss = _non_negative(ripples, shape, value, weights)
        else:
            ripple, rest = ripple_sd**2, np.maximum(value - ripple_sd**2 * ripples, 0.0)
            wander = float((weights**2 * shape) @ rest / max((weights**2 * shape) @ shape, 1e-300))
            loss = float((weights**2) @ (rest - wander * shape) ** 2)
        if best is None or loss < best[0]:
            best = (loss, Spread(wander**0.5, float(tau_s), ripple**0.5, ripple_known=ripple_sd is not None))
    assert best is not None
    return best[1]


def _non_negative(
    ripples: np.ndarray, shape: np.ndarray, value: np.ndarray, weights: np.ndarray
) -> tuple[float, float, float]:
    """Weighted least squares of value on ripple and shape, neither coefficient below zero; and the loss."""
    one, two, y = weights * ripples, weights * shape, weights * value
    a, b, c = one @ one, one @ two, two @ two
    p, q = one @ y, two @ y
    determinant = a * c - b * b
    ripple, wander = -1.0, 1.0
    if determinant > 1e-9 * a * c:
        ripple, wander = (c * p - b * q) / determinant, (a * q - b * p) / determinant
    if ripple < 0:
        ripple, wander = 0.0, max(q / max(c, 1e-300), 0.0)
    elif wander < 0:
        ripple, wander = max(p / max(a, 1e-300), 0.0), 0.0
    return float(ripple), float(wander), float(((y - ripple * one - wander * two) ** 2).sum())
