"""Ripple of a reading from the quietest sleeps: what is left of the spread when the slow reading stands still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.advice.evidence import NodeEvidence
from fleet.advice.spread import Variances

QUIET_S = 120.0
QUIET_FRAC = 0.1
FAST_RANGE_SDS = 4.6
"""Lowest to highest of a sleep in its standard deviations: a slow wandering spans about 3.5, quick ripple 6 to 9."""


@dataclass(frozen=True)
class Quiet:
    """Spread within the quietest sleeps and their usual length; `is_fast` if it changes many times within one."""

    sd: float
    length_s: float
    is_fast: bool

    def as_variances(self) -> Variances:
        """As one weighty line of a fit."""
        one = np.ones(1)
        return Variances(one * self.length_s, one * self.sd**2, one * 100.0, one > 0)


def quiet_sleep(seen: NodeEvidence) -> Quiet | None:
    """The quietest tenth of all sleeps long enough to hold the ripple whole; None if the node tells no spreads."""
    told = (seen.asleep_n >= 30) & np.isfinite(seen.asleep_sd) & (seen.gap_s >= QUIET_S) & (seen.asleep_sd > 0)
    if told.sum() < 10:
        return None
    sd, gap_s = seen.asleep_sd[told], seen.gap_s[told]
    least = float(np.quantile(sd, QUIET_FRAC))
    near = sd <= least * 1.1
    span = (seen.asleep_max - seen.asleep_min)[told][near] / sd[near]
    fast = bool(np.isfinite(span).any() and np.nanmedian(span) >= FAST_RANGE_SDS)
    return Quiet(least, float(np.median(gap_s[near])), fast)
