"""When a series changed: the best split of values or counts, a window for its date, and all splits of a long series."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Change:
    """One change: the first `at` values have the mean `before`, the others `after`."""

    at: int
    before: float
    after: float
    lo: int  # window of the date, same counting as `at`
    hi: int


def mean_change(values: ArrayLike, *, confidence: float = 0.95) -> Change:
    """The split into two means that leaves the smallest squares, and a window for it.

    Notes
    -----
    Window by the law of the maximum of a two-sided Brownian motion with triangular drift, with a common variance.
    Sources: Yao, Ann. Statist. 15 (1987) 1321–1328; Bai, Econometric Theory 13 (1997) 315–352.

    Examples
    --------
    >>> found = mean_change([1.0, 2.0, 1.0, 2.0, 9.0, 8.0, 9.0])
    >>> found.at, found.before
    (4, 1.5)
    """
    y = np.asarray(values, dtype=float)
    n = len(y)
    head = np.cumsum(y)[:-1]
    size = np.arange(1, n)
    gain = head**2 / size + (y.sum() - head) ** 2 / (n - size)
    at = int(gain.argmax()) + 1
    before, after = float(y[:at].mean()), float(y[at:].mean())
    left = np.concatenate([y[:at] - before, y[at:] - after])
    variance = float((left**2).sum() / max(n - 2, 1))
    reach = date_quantile(0.5 + confidence / 2.0) * variance / max((after - before) ** 2, 1e-300)
    step = int(min(np.floor(reach) + 1, n))
    return Change(at, before, after, max(at - step, 1), min(at + step, n - 1))


def date_quantile(level: float) -> float:
    """Quantile of the law of a break's date, in units of variance over squared step.

    >>> round(date_quantile(0.975), 4)
    11.0333
    """

    def below(x: float) -> float:
        root = np.sqrt(x)
        tail = 1.5 * np.exp(x + special.log_ndtr(-1.5 * root))
        middle = 0.5 * (x + 5.0) * special.ndtr(-0.5 * root)
        return float(1.0 + np.sqrt(x / (2.0 * np.pi)) * np.exp(-x / 8.0) - middle + tail)

    return float(optimize.brentq(lambda x: below(x) - level, 1e-9, 500.0, xtol=1e-10))


@dataclass(frozen=True)
class RateChange:
    """One change of a count's rate; `odds` is the posterior of each split, entry i for a change after i + 1 values."""

    at: int
    before: float
    after: float
    log_likelihood_ratio: float  # twice the gain over one rate
    odds: FloatArray

    def quantile(self, level: float) -> int:
        """Split that the change lies at or before with this probability."""
        return int(np.searchsorted(np.cumsum(self.odds), level)) + 1


def rate_change(counts: ArrayLike, *, shape: float = 1.0, rate: float = 1.0) -> RateChange:
    """The split of a count series into two rates, with the exact posterior of its date.

    Parameters
    ----------
    shape, rate
        Gamma prior of each of the two rates.
    """
    y = np.asarray(counts, dtype=float)
    n, size = len(y), np.arange(1, len(y))
    head = np.cumsum(y)[:-1]
    tail = y.sum() - head
    likelihood = special.xlogy(head, head / size) + special.xlogy(tail, tail / (n - size))
    one = float(special.xlogy(y.sum(), y.sum() / n))
    at = int(likelihood.argmax()) + 1
    log_odds = sum(
        special.gammaln(shape + events) - (shape + events) * np.log(rate + days)
        for events, days in ((head, size), (tail, n - size))
    )
    odds = np.exp(log_odds - special.logsumexp(log_odds))
    gain = 2.0 * (float(likelihood[at - 1]) - one)
    return RateChange(at, float(y[:at].mean()), float(y[at:].mean()), gain, odds)


def all_changes(values: ArrayLike, *, penalty: float | None = None) -> list[int]:
    """Ends of the stretches of even mean that explain a series best, the last one its length.

    Parameters
    ----------
    penalty
        Squares that a change must save; by default 3 × (half the variance of differences) × ln n.

    Notes
    -----
    Exact by optimal partitioning with pruning (PELT). Source: Killick, Fearnhead and Eckley, JASA 107 (2012) 1590–1598.

    Examples
    --------
    >>> all_changes([0, 1, 0, 1, 9, 8, 9, 8, 0, 1, 0, 1.0])
    [4, 8, 12]
    """
    y = np.asarray(values, dtype=float)
    n = len(y)
    cost_more = 3.0 * 0.5 * float(np.diff(y).var()) * np.log(n) if penalty is None else penalty
    sums, squares = np.append(0.0, np.cumsum(y)), np.append(0.0, np.cumsum(y * y))
    best = np.full(n + 1, -cost_more)
    came_from = np.zeros(n + 1, dtype=np.int64)
    open_starts = np.array([0])
    for end in range(1, n + 1):
        length = end - open_starts
        cost = squares[end] - squares[open_starts] - (sums[end] - sums[open_starts]) ** 2 / length
        total = best[open_starts] + cost
        place = int(total.argmin())
        best[end], came_from[end] = total[place] + cost_more, open_starts[place]
        open_starts = np.append(open_starts[total <= best[end]], end)
    ends = [n]
    while came_from[ends[-1]] > 0:
        ends.append(int(came_from[ends[-1]]))
    return ends[::-1]
