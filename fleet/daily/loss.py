"""Loss of records: limits of a loss rate, loss in bursts, and what several gateways tell of what none heard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri


def wilson_limits(lost_count: float, sent_count: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Limits of a loss rate that need no exact sums; NaN where nothing was sent.

    Notes
    -----
    Source: Wilson, JASA 22 (1927) 209–212 (from memory).

    >>> low, high = wilson_limits(23, 1000)
    >>> round(low, 7), round(high, 7)
    (0.0153743, 0.0342765)
    """
    if sent_count <= 0:
        return float("nan"), float("nan")
    z = float(ndtri(0.5 + confidence / 2.0))
    share = lost_count / sent_count
    middle = (share + z * z / (2 * sent_count)) / (1 + z * z / sent_count)
    reach = (
        z / (1 + z * z / sent_count) * np.sqrt(share * (1 - share) / sent_count + z * z / (4 * sent_count * sent_count))
    )
    return float(middle - reach), float(middle + reach)


@dataclass(frozen=True)
class BurstLoss:
    """Long-run loss, mean length of a burst, and how many times the variance of independent losses a count has."""

    loss_frac: float
    burst_count: float
    variance_ratio: float


def burst_loss(into_loss_rate: float, out_of_loss_rate: float) -> BurstLoss:
    """Loss of a link that changes between good and bad, with these chances a record.

    Notes
    -----
    Source: Gilbert, Bell Syst. Tech. J. 39 (1960) 1253–1265: the two-state chain, here losing all while bad.

    >>> found = burst_loss(0.01, 0.2)
    >>> round(found.loss_frac, 6), found.burst_count, round(found.variance_ratio, 4)
    (0.047619, 5.0, 8.5238)
    """
    stay = 1.0 - into_loss_rate - out_of_loss_rate
    share = into_loss_rate / (into_loss_rate + out_of_loss_rate)
    return BurstLoss(share, 1.0 / out_of_loss_rate, (1.0 + stay) / (1.0 - stay))


def burst_rates(heard: np.ndarray) -> tuple[float, float]:
    """Chances to go into loss and out of it, from a run of records heard (True) and lost; NaN where never seen.

    >>> burst_rates(np.array([True, True, False, False, True]))
    (0.5, 0.5)
    """
    before, after = heard[:-1], heard[1:]
    good, bad = int(before.sum()), int((~before).sum())
    into = float((before & ~after).sum() / good) if good else float("nan")
    out = float((~before & after).sum() / bad) if bad else float("nan")
    return into, out


def sent_by_two_gateways(heard_a: int, heard_b: int, heard_by_both: int) -> tuple[float, float]:
    """How many records were sent, and the variance of that, from what two independent gateways heard.

    Notes
    -----
    Nearly unbiased capture–recapture estimate. Source: Chapman 1951 (from memory).

    >>> sent, variance = sent_by_two_gateways(50, 60, 20)
    >>> round(sent, 6), round(variance, 3)
    (147.142857, 384.787)
    """
    a, b, both = heard_a, heard_b, heard_by_both
    sent = (a + 1) * (b + 1) / (both + 1) - 1
    variance = (a + 1) * (b + 1) * (a - both) * (b - both) / ((both + 1) ** 2 * (both + 2))
    return float(sent), float(variance)
