"""Closed forms: how often a reading crosses an edge of the band, and what averaging and hysteresis change."""

from __future__ import annotations

import itertools
from math import exp, log, pi, sqrt

import numpy as np
from scipy.special import erfi, ndtr, owens_t

SIEGMUND = 0.5826
"""Overshoot of a random walk over a barrier, in step standard deviations: -zeta(1/2)/sqrt(2 pi)."""


def upcrossings_per_s(u: float, correlation_length_s: float) -> float:
    """Upcrossings of a level by a smooth Gaussian signal, each second.

    Parameters
    ----------
    u
        Level above the mean, in standard deviations of the signal.
    correlation_length_s
        Length L in the correlation exp(-t^2 / 2 L^2). [s]

    Returns
    -------
    Mean rate of upcrossings. [1/s]

    Notes
    -----
    Holds for signals with a derivative; an Ornstein-Uhlenbeck signal has none, see `hysteresis_cycles_per_tau`.
    Source: Rice, Mathematical analysis of random noise, Bell System Technical Journal 23 (1944).

    Examples
    --------
    At the mean the rate is 1 / (2 pi L):

    >>> round(upcrossings_per_s(0.0, 10.0) * 2 * pi * 10.0, 12)
    1.0
    """
    return exp(-u * u / 2.0) / (2.0 * pi * correlation_length_s)


def polled_upcrossing(u: float, rho: float) -> float:
    """Probability that one poll lies below a level and the next above it.

    Parameters
    ----------
    u
        Level above the mean, in standard deviations.
    rho
        Correlation between two polls.

    Notes
    -----
    Bivariate normal. Both edges of a symmetric band together are left twice as often.
    Source: Owen, Tables for computing bivariate normal probabilities, Ann. Math. Statist. 27 (1956).

    Examples
    --------
    At the mean it is arccos(rho) / (2 pi), a quarter if polls are independent:

    >>> round(polled_upcrossing(0.0, 0.0), 12)
    0.25
    """
    return float(2.0 * owens_t(u, sqrt((1.0 - rho) / (1.0 + rho))))


def mean_excursion_polls(u: float, rho: float) -> float:
    """Mean length of a stay above a level, in polls: the share of time above over the rate of entering.

    What a level-rearmed firmware wakes for each crossing, where an edge-rearmed one wakes once.

    >>> round(mean_excursion_polls(0.0, 0.0), 12)
    2.0
    """
    return float(ndtr(-u)) / polled_upcrossing(u, rho)


def averaged_upcrossing(u: float, rho: float, noise_sd: float, avg: int) -> float:
    """Probability of an upcrossing from one poll to the next when `avg` noisy readings are averaged at each poll.

    Parameters
    ----------
    u
        Level above the mean, in standard deviations of the signal without noise.
    rho
        Correlation of the signal between two polls.
    noise_sd
        Reading noise of one reading, in standard deviations of the signal; independent from reading to reading.
    avg
        Readings averaged at each poll.

    Notes
    -----
    The noise is folded into the correlation. It shows that averaging alone does not cure chatter at an edge.
    Left out: movement of the signal while the readings are taken.

    Examples
    --------
    >>> averaged_upcrossing(2.0, 0.99, 0.0, 4) == polled_upcrossing(2.0, 0.99)
    True
    """
    variance = 1.0 + noise_sd**2 / avg
    return polled_upcrossing(u / sqrt(variance), rho / variance)


def hysteresis_cycles_per_tau(a: float, b: float) -> float:
    """Full cycles, trip at b and re-arm at a, of an Ornstein-Uhlenbeck signal in one correlation time.

    Parameters
    ----------
    a, b
        Level of re-arming and of tripping, in standard deviations from the mean, a below b.

    Notes
    -----
    One over the sum of the two mean first-passage times. Source: first-passage algebra of the Ornstein-Uhlenbeck
    process (textbook result); without a gap between the levels the rate has no bound.

    Examples
    --------
    The rate is the same for a mirrored pair of levels:

    >>> hysteresis_cycles_per_tau(1.0, 2.0) == hysteresis_cycles_per_tau(-2.0, -1.0)
    True
    """
    return 1.0 / (sqrt(2.0 * pi) * _growth(a, b))


def hysteresis_wakes_per_poll(a: float, b: float, rho: float) -> float:
    """Wakes each poll of an edge-rearmed band edge on a first-order autoregressive signal, in closed form.

    Parameters
    ----------
    a, b
        Level of re-arming and of tripping, in standard deviations from the mean, a below b.
    rho
        Correlation between two polls.

    Notes
    -----
    The continuous law with both levels moved apart by the overshoot of a polled walk,
    e = 0.5826 sqrt(2 d), d = -ln rho. Error below 0.5 % for rho of 0.99 or more and b - a of 1.2 e or more; rho of 0.9
    wants b - a of 1.8 e; no gap at all is 7.5 % high; not for rho of 0.5.
    Source: Broadie, Glasserman & Kou, Mathematical Finance 7 (1997), for the shift.

    Examples
    --------
    A finer poll of the same signal misses fewer cycles:

    >>> hysteresis_wakes_per_poll(1.5, 2.0, 0.999) * 10 > hysteresis_wakes_per_poll(1.5, 2.0, 0.99)
    True
    """
    d = -log(rho)
    e = SIEGMUND * sqrt(2.0 * d)
    return d / (sqrt(2.0 * pi) * _growth(a - e, b + e))


def hysteresis_wakes_per_poll_exact(a: float, b: float, rho: float, *, order: int = 120) -> float:
    """The same rate from the stationary law of the armed and the tripped state, by quadrature.

    Parameters
    ----------
    a, b
        Level of re-arming and of tripping, in standard deviations from the mean, a not above b.
    rho
        Correlation between two polls.
    order
        Gauss-Legendre points in each of the three zones below a, between and above b.

    Notes
    -----
    Slow: for checking, and where the closed form does not hold.

    Examples
    --------
    Without hysteresis it is the upcrossing of two polls:

    >>> abs(hysteresis_wakes_per_poll_exact(2.0, 2.0, 0.9) / polled_upcrossing(2.0, 0.9) - 1) < 1e-6
    True
    """
    z, w = _zones((-9.0, a, b, 9.0), order)
    moved = np.exp(-((z[None, :] - rho * z[:, None]) ** 2) / (2.0 * (1.0 - rho**2))) / sqrt(2 * pi * (1.0 - rho**2))
    step = moved * w[None, :]
    step /= step.sum(axis=1, keepdims=True)
    below_b, below_a = z < b, z < a
    mass = np.exp(-(z**2) / 2.0) * w / sqrt(2.0 * pi)
    # Armed mass f solves f = (f P + (mass - f) P [below a]) on the zones where armed can be; below a all mass is armed.
    between = below_b & ~below_a
    known = np.where(below_a, mass, 0.0)
    entering = (known @ step)[between]
    n = int(between.sum())
    armed = known.copy()
    if n:
        armed[between] = np.linalg.solve(np.eye(n) - step[np.ix_(between, between)].T, entering)
    return float(armed @ step @ (~below_b))


def _zones(edges: tuple[float, ...], order: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre points and weights of neighbouring zones, empty zones left out."""
    x, w = np.polynomial.legendre.leggauss(order)
    pairs = [(lo, hi) for lo, hi in itertools.pairwise(edges) if hi > lo]
    points = [(hi + lo) / 2.0 + (hi - lo) / 2.0 * x for lo, hi in pairs]
    return np.concatenate(points), np.concatenate([(hi - lo) / 2.0 * w for lo, hi in pairs])


def _growth(a: float, b: float) -> float:
    """Integral of exp(z^2 / 2) from a to b."""
    return float(sqrt(pi / 2.0) * (erfi(b / sqrt(2.0)) - erfi(a / sqrt(2.0))))
