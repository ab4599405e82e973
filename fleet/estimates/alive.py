"""Share still alive by age, with those that live on counted as long as they were seen (Kaplan–Meier)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def alive_frac(age_d: ArrayLike, went_flat: ArrayLike) -> FloatArray:
    """Share alive after each age at which one went flat.

    Parameters
    ----------
    age_d
        Age at which each went flat or was last seen alive. [d], shape (n,)
    went_flat
        Whether it went flat then. Shape (n,)

    Returns
    -------
    Share alive after each different age of going flat, ages rising.

    Notes
    -----
    Leaving the living out would make lives look far too short. Source: Kaplan and Meier, JASA 53 (1958) 457–481.

    Examples
    --------
    One of three dies at 5 days, one is last seen alive at 7, the last one dies at 9:

    >>> alive_frac([5.0, 7.0, 9.0], [True, False, True]).round(3)
    array([0.667, 0.   ])
    """
    _, at_risk, ended = _steps(age_d, went_flat, np.ones(len(np.asarray(age_d))))
    share = np.cumprod(1.0 - ended / at_risk)
    return np.asarray(share[ended > 0], dtype=float)


def alive_frac_at(
    age: ArrayLike, went_flat: ArrayLike, wanted: ArrayLike, *, weights: ArrayLike | None = None
) -> FloatArray:
    """Share alive just after each wanted age; cases may have weights.

    >>> alive_frac_at([5.0, 7.0, 9.0], [True, False, True], [4.0, 6.0]).round(3)
    array([1.   , 0.667])
    """
    weight = np.ones(len(np.asarray(age))) if weights is None else np.asarray(weights, dtype=float)
    ages, at_risk, ended = _steps(age, went_flat, weight)
    share = np.append(1.0, np.cumprod(1.0 - ended / at_risk))
    return np.asarray(share[np.searchsorted(ages, np.asarray(wanted, dtype=float), side="right")], dtype=float)


def alive_frac_se(age_d: ArrayLike, went_flat: ArrayLike) -> FloatArray:
    """Standard error of `alive_frac` (Greenwood's formula)."""
    _, at_risk, ended = _steps(age_d, went_flat, np.ones(len(np.asarray(age_d))))
    share = np.cumprod(1.0 - ended / at_risk)
    left = at_risk - ended
    terms = np.divide(ended, at_risk * left, out=np.zeros_like(left), where=left > 0)
    return np.asarray((share * np.sqrt(np.cumsum(terms)))[ended > 0], dtype=float)


def _steps(age: ArrayLike, went_flat: ArrayLike, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Different ages, the weight at risk just before each, and the weight that ended at each."""
    ages, place = np.unique(np.asarray(age, dtype=float), return_inverse=True)
    there = np.bincount(place, weights=weight, minlength=len(ages))
    ended = np.bincount(place, weights=weight * np.asarray(went_flat, dtype=bool), minlength=len(ages))
    at_risk = np.cumsum(there[::-1])[::-1]
    return np.asarray(ages, dtype=float), np.asarray(at_risk, dtype=float), np.asarray(ended, dtype=float)
