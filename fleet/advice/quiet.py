"""Ripple of a reading from its quietest sleeps: what is left of the spread when the slow reading stands still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from fleet.advice.evidence import NodeEvidence

QUIET_S = 120.0
POLLS_LEAST = 4
QUIET_FRAC = 0.1
WHITE_FRAC = 0.25
FAST_RANGE_SDS = 4.6
"""Lowest to highest of a sleep in its standard deviations: a slow wandering spans about 3.5, quick ripple 6 to 9."""


@dataclass(frozen=True)
class Quiet:
    """Ripple's spread from the quietest sleeps; `is_fast` if it changes many times within one."""

    sd: float
    is_fast: bool


def quiet_sleep(seen: NodeEvidence) -> Quiet | None:
    """Spread of the ripple by the quietest sleeps of each length; None if the node tells no spreads.

    Notes
    -----
    If the quietest tenth spans so many standard deviations that it must have changed many times within a sleep, its
    spread is the ripple's. Else the lower quartile of the variance is followed back to sleeps of no length: a wandering
    reading adds variance in proportion to the length, ripple adds the same to all.
    """
    told = (seen.asleep_n >= POLLS_LEAST) & np.isfinite(seen.asleep_sd) & (seen.asleep_sd > 0) & (seen.gap_s > 0)
    long = told & (seen.gap_s >= QUIET_S) & (seen.asleep_n >= 30)
    if told.sum() < 10:
        return None
    unbiased = seen.asleep_sd[told] ** 2 * seen.asleep_n[told] / (seen.asleep_n[told] - 1.0)
    if long.sum() < 10:
        return Quiet(_at_no_length(seen.gap_s[told], unbiased), is_fast=False)
    sd = seen.asleep_sd[long]
    least = float(np.quantile(sd, QUIET_FRAC))
    near = sd <= least * 1.1
    span = (seen.asleep_max - seen.asleep_min)[long][near] / sd[near]
    if np.isfinite(span).any() and float(np.nanmedian(span)) >= FAST_RANGE_SDS:
        return Quiet(float(np.clip(_at_no_length(seen.gap_s[long], sd**2), 0.75 * least, least)), is_fast=True)
    return Quiet(min(least, _at_no_length(seen.gap_s[told], unbiased)), is_fast=False)


def looks_white(seen: NodeEvidence) -> bool:
    """True if the quietest sleeps span as far as that many independent polls would: noise new at every poll."""
    long = (seen.asleep_n >= 30) & (seen.asleep_sd > 0) & (seen.gap_s >= QUIET_S)
    if long.sum() < 10:
        return False
    sd = seen.asleep_sd[long]
    near = sd <= float(np.quantile(sd, QUIET_FRAC)) * 1.1
    span = (seen.asleep_max - seen.asleep_min)[long][near] / sd[near]
    independent = 0.5616 / ndtr(-span / 2.0)
    return bool(np.nanmedian(independent / seen.asleep_n[long][near]) > WHITE_FRAC)


def _at_no_length(gap_s: np.ndarray, variance: np.ndarray) -> float:
    """Root of the variance that lower quartiles point at for a sleep of no length."""
    which = np.round(np.log(gap_s) * 2.0).astype(int)
    rows = [
        (float(np.median(gap_s[which == one])), float(np.quantile(variance[which == one], 0.25)))
        for one in np.unique(which)
        if (which == one).sum() >= 6
    ]
    if len(rows) < 2:
        return float(np.sqrt(rows[0][1] / 4.0)) if rows else 0.0
    length, low = np.array(rows).T
    weight = 1.0 / np.maximum(low, 1e-12) ** 2
    spread = float((weight * length**2).sum() * weight.sum() - (weight * length).sum() ** 2)
    rise = ((weight * length * low).sum() * weight.sum() - (weight * length).sum() * (weight * low).sum()) / max(
        spread, 1e-300
    )
    start = float((weight * (low - max(rise, 0.0) * length)).sum() / weight.sum())
    return float(np.sqrt(max(start, 0.02 * low.min())))
