"""Closed forms: when a drain of uncertain pace uses up a charge (inverse Gaussian, with an uncertain drift)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

FloatArray = NDArray[np.float64]
HALVINGS = 80


def dead_by_frac(
    life_d: FloatArray, charge_mah: FloatArray, drain_mah_per_d: FloatArray, *, drain_sd: FloatArray, wander: FloatArray
) -> FloatArray:
    """Probability that the charge is used up within so many days.

    Parameters
    ----------
    life_d
        Days from now, above 0. [d]
    drain_mah_per_d, drain_sd
        Mean drain and the standard deviation of what is believed of it. [mAh/d]
    wander
        Diffusion of the charge used, from days that differ. [mAh/√d], 0 for none

    Notes
    -----
    First passage of a Wiener process with drift N(drain, drain_sd²). The mirror term exp(2 µ x / σ²) overflows, so it
    is taken in logs. Sources: Schrödinger 1915 and Wald (inverse Gaussian), Tang et al. 2014, Energies 7:520 (uncertain
    drift); formulas from memory, checked against mixture integrals.

    Examples
    --------
    1000 mAh at 2 mAh/d with diffusion 5 mAh/√d is dead by day 450 in 18.7 of 100 cases:

    >>> one = np.ones(1)
    >>> dead_by_frac(450 * one, 1000 * one, 2 * one, drain_sd=0 * one, wander=5 * one).round(6)
    array([0.187125])
    """
    time, charge, drain = (np.asarray(x, dtype=float) for x in (life_d, charge_mah, drain_mah_per_d))
    diffusion = np.asarray(wander, dtype=float) ** 2
    spread = diffusion * time + (np.asarray(drain_sd, dtype=float) * time) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(spread)
        straight = ndtr((drain * time - charge) / root)
        of_drain = 2.0 * charge / diffusion
        tilt = of_drain * drain + 0.5 * (of_drain * np.asarray(drain_sd)) ** 2
        turned = drain + of_drain * np.asarray(drain_sd, dtype=float) ** 2
        mirror = np.exp(np.minimum(tilt + log_ndtr(-(charge + turned * time) / root), 0.0))
        certain = np.where(drain * time >= charge, 1.0, 0.0)
    total = np.where(diffusion > 0, straight + np.nan_to_num(mirror), straight)
    return np.asarray(np.clip(np.where(spread > 0, total, certain), 0.0, 1.0), dtype=float)


def life_quantile_d(
    level: float, charge_mah: FloatArray, drain_mah_per_d: FloatArray, *, drain_sd: FloatArray, wander: FloatArray
) -> FloatArray:
    """Day by which the charge is used up with a given probability; inf where that never comes about. [d]

    Notes
    -----
    Bisection on `dead_by_frac`. A mean is not offered: where the drain may be 0 it does not exist.

    Examples
    --------
    >>> one = np.ones(1)
    >>> life_quantile_d(0.5, 1000 * one, 2 * one, drain_sd=0 * one, wander=5 * one).round(3)
    array([496.898])
    """
    low = np.full(np.shape(charge_mah), 1e-6)
    high = np.full(np.shape(charge_mah), 1.0)
    for _ in range(60):
        short = dead_by_frac(high, charge_mah, drain_mah_per_d, drain_sd=drain_sd, wander=wander) < level
        if not short.any():
            break
        high = np.where(short, high * 2.0, high)
    never = dead_by_frac(high, charge_mah, drain_mah_per_d, drain_sd=drain_sd, wander=wander) < level
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        before = dead_by_frac(middle, charge_mah, drain_mah_per_d, drain_sd=drain_sd, wander=wander) < level
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    return np.where(never, np.inf, 0.5 * (low + high))
