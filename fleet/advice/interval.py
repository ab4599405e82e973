"""Another interval: the chance that an event is seen, and what a longer gap between readings costs in accuracy."""

from __future__ import annotations

from math import cos, cosh, exp, expm1, pi, sinh, tanh

from scipy.optimize import brentq

from fleet.profiles.profile import Limits

HEARD_TWICE = 2.0  # intervals that fit into the longest silence allowed, so that one lost record is no alarm
READABLE_S = (300.0, 600.0, 900.0, 1200.0, 1800.0, 3600.0, 7200.0, 10800.0, 14400.0, 21600.0, 43200.0, 86400.0)


def event_seen_frac(event_s: float, interval_s: float, *, hits_count: int = 1) -> float:
    """Chance that an event of fixed length meets at least so many of the readings taken at an interval.

    Parameters
    ----------
    event_s
        Length of the event. [s]
    interval_s
        Time between readings. [s]
    hits_count
        Readings that must fall into it.

    Notes
    -----
    The phase between event and readings is taken as uniform. A definition; the mean delay is half the interval.

    Examples
    --------
    40 ms at a reading each 100 ms:

    >>> round(event_seen_frac(0.040, 0.100), 12)
    0.4
    """
    return min(1.0, max(0.0, event_s / interval_s - (hits_count - 1)))


def exponential_event_seen_frac(mean_event_s: float, interval_s: float) -> float:
    """Chance that an event of exponential length meets a reading.

    >>> round(exponential_event_seen_frac(1.0, 1.0), 6)
    0.632121
    """
    return -mean_event_s / interval_s * expm1(-interval_s / mean_event_s)


def interval_for_missed_s(event_s: float, missed_frac: float) -> float:
    """Longest interval that misses at most this share of events of fixed length. [s]

    >>> round(interval_for_missed_s(1.0, 0.05), 6)
    1.052632
    """
    return event_s / (1.0 - missed_frac)


def midpoint_error_frac(interval_s: float, tau_s: float) -> float:
    """Variance of the best guess half-way between two readings, as a share of the signal's variance.

    Notes
    -----
    Ornstein-Uhlenbeck signal read without noise. Source: kriging variance (textbook result).
    """
    return tanh(interval_s / (2.0 * tau_s))


def gap_error_frac(interval_s: float, tau_s: float) -> float:
    """The same, averaged over the gap: coth(T / tau) - tau / T.

    >>> round(gap_error_frac(1.0, 1.0), 6)
    0.313035
    """
    x = interval_s / tau_s
    return x / 3.0 if x < 1e-4 else cosh(x) / sinh(x) - 1.0 / x if x < 300.0 else 1.0 - 1.0 / x


def held_error_frac(interval_s: float, tau_s: float) -> float:
    """The same where the last reading is held until the next one comes."""
    x = interval_s / tau_s
    return 2.0 * (1.0 + expm1(-x) / x)


def one_sided_error_frac(interval_s: float, tau_s: float) -> float:
    """The same for the best guess from past readings alone."""
    x = interval_s / tau_s
    return 1.0 + expm1(-2.0 * x) / (2.0 * x)


def interval_for_error_s(error_frac: float, tau_s: float) -> float:
    """Interval whose mean error variance between readings is this share of the signal's variance. [s]

    >>> round(interval_for_error_s(0.05, 1.0), 6)
    0.150226
    """
    return float(brentq(lambda x: gap_error_frac(x, 1.0) - error_frac, 1e-6, 1e4)) * tau_s


def sine_error(interval_s: float, period_s: float) -> float:
    """Largest error of a straight line between readings of a sine of amplitude 1.

    >>> round(sine_error(1.0, 10.0), 6)
    0.048943
    """
    return 1.0 - cos(pi * interval_s / period_s)


def heard_again_s(interval_s: float, arrive_frac: float, odds: float) -> float:
    """Time within which a node is heard again with these odds, when each record arrives with a fixed chance. [s]

    >>> heard_again_s(900.0, 1.0, 0.9)
    900.0
    """
    lost_frac = 1.0 - arrive_frac
    tries_count = 1
    left = lost_frac
    while left > 1.0 - odds and tries_count < 1000:
        left *= lost_frac
        tries_count += 1
    return interval_s * tries_count


def drifted_frac(interval_s: float, tau_s: float) -> float:
    """Share of the signal's variance that is new after a gap: 1 - exp(-2 T / tau)."""
    return 1.0 - exp(-2.0 * interval_s / tau_s)


def intervals_tried(sleep_s: float | None, limits: Limits) -> list[float | None]:
    """The present timer interval first, then longer ones, within the limits and the silence allowed.

    >>> intervals_tried(900.0, Limits(sleep_s=(300.0, 3600.0)))
    [900.0, 1200.0, 1800.0, 3600.0]
    """
    if sleep_s is None or limits.sleep_s is None:
        return [sleep_s]
    most = limits.sleep_s[1] if limits.silence_s is None else min(limits.sleep_s[1], limits.silence_s / HEARD_TWICE)
    longer = [s for s in READABLE_S if sleep_s < s <= most]
    if most > sleep_s and most not in longer:
        longer.append(most)
    return [sleep_s, *longer]


def periods_tried(period_ms: float | None, limits: Limits, late_s: float) -> list[float | None]:
    """The present coprocessor period, then twice and five times it, within the limits and the lateness allowed."""
    if period_ms is None or limits.period_ms is None:
        return [period_ms]
    most = min(limits.period_ms[1], late_s * 1000.0 / 3.0)
    return [period_ms, *(period_ms * times for times in (2.0, 5.0) if period_ms * times <= most)]
