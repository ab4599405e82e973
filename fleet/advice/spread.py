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
    within: np.ndarray  # True: variance within a sleep of this length


def pair_variances(t: np.ndarray, residual: np.ndarray) -> Variances:
    """Half squared differences of samples, in bins of their distance.

    >>> seen = pair_variances(np.arange(400.0) * 60.0, np.tile([0.0, 1.0], 200))
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
        return Variances(none, none, none, none.astype(bool))
    return _binned(np.concatenate(lags), np.concatenate(squares))


def _binned(lag_s: np.ndarray, value: np.ndarray) -> Variances:
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
    return Variances(lag, mean, np.sqrt(np.minimum(count, 400.0)), np.zeros(len(lag), bool))


def fit_spread(
    parts: list[Variances], *, shortest_s: float, longest_s: float, ripple_sd: float | None = None
) -> Spread:
    """Spread whose expected variances come closest to those seen.

    Parameters
    ----------
    parts
        Variances of pairs and of sleeps.
    shortest_s, longest_s
        Range of correlation times tried. [s]
    ripple_sd
        Ripple where it is known otherwise.

    Notes
    -----
    For a correlation time both variances enter linearly, so each is a small non-negative least-squares problem; the
    best of 28 correlation times is taken. Pairs: r^2 + s^2 (1 - exp(-lag / tau)). Sleeps of length T:
    r^2 + s^2 (1 - 2 (x - 1 + exp(-x)) / x^2), x = T / tau, the mean variance within a window.

    Examples
    --------
    >>> lag = np.geomspace(60.0, 1e6, 30)
    >>> seen = Variances(lag, 0.01 + 4.0 * -np.expm1(-lag / 3600.0), np.ones(30), np.zeros(30, bool))
    >>> found = fit_spread([seen], shortest_s=36.0, longest_s=360_000.0)
    >>> abs(found.sd - 2.0) < 0.1, 2400.0 < found.tau_s < 5400.0
    (True, True)
    """
    lag_s = np.concatenate([part.lag_s for part in parts])
    value = np.concatenate([part.value for part in parts])
    within = np.concatenate([part.within for part in parts])
    if not len(lag_s):
        return Spread(0.0, longest_s, ripple_sd or 0.0, ripple_known=ripple_sd is not None)
    if ripple_sd is not None:
        value = np.maximum(value - ripple_sd**2, 0.0)
    weights = np.concatenate([part.weights for part in parts]) / np.maximum(value, 1e-12 + 1e-4 * value.max())
    best: tuple[float, Spread] | None = None
    for tau_s in np.geomspace(shortest_s, max(longest_s, 2.0 * shortest_s), TAUS_COUNT):
        shape = _growth(lag_s / tau_s, within)
        if ripple_sd is None:
            ripple, wander, loss = _non_negative(shape, value, weights)
        else:
            ripple = ripple_sd**2
            wander = float((weights**2 * shape) @ value / max((weights**2 * shape) @ shape, 1e-300))
            loss = float((weights**2) @ (value - wander * shape) ** 2)
        if best is None or loss < best[0]:
            best = (
                loss,
                Spread(
                    wander**0.5, float(tau_s), ripple**0.5, ripple_known=ripple_sd is not None or bool(within.any())
                ),
            )
    assert best is not None
    return best[1]


def _growth(x: np.ndarray, within: np.ndarray) -> np.ndarray:
    """Share of the wandering variance seen at these distances."""
    safe = np.maximum(x, 1e-6)
    inside = np.where(safe < 1e-3, safe / 3.0, 1.0 - 2.0 * (safe - 1.0 + np.exp(-safe)) / safe**2)
    return np.asarray(np.where(within, inside, -np.expm1(-safe)))


def _non_negative(shape: np.ndarray, value: np.ndarray, weights: np.ndarray) -> tuple[float, float, float]:
    """Weighted least squares of value on 1 and shape, neither coefficient below zero; and the loss."""
    one, two, y = weights, weights * shape, weights * value
    a, b, c = one @ one, one @ two, two @ two
    p, q = one @ y, two @ y
    determinant = a * c - b * b
    ripple, wander = (
        ((c * p - b * q) / determinant, (a * q - b * p) / determinant) if determinant > 1e-12 else (-1.0, 1.0)
    )
    if ripple < 0:
        ripple, wander = 0.0, max(q / max(c, 1e-300), 0.0)
    elif wander < 0:
        ripple, wander = max(p / a, 0.0), 0.0
    return float(ripple), float(wander), float(((y - ripple * one - wander * two) ** 2).sum())
