"""When a record's wake was, and how far that can be believed.

Best first (wire contract): a set clock; arrival less the wait; uptime against the arrivals of the same boot; arrival.
A clock in the future of its arrival, far from what the uptime says, or off by whole half hours (wrong zone) is a fault:
its record falls back to the next best, and the fault can be seen because `clock_t` is kept as sent.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fleet.errors import EstimateError
from fleet.units import S_PER_D
from fleet.words import TimeFrom

CLOCK_SET_SINCE_S = 978_307_200.0
"""2001-01-01T00:00:00Z: an earlier clock was never set (wire contract)."""

FUTURE_S = 60.0
"""A clock may run ahead of its arrival by this much: three weeks of a 32 kHz crystal 30 ppm off."""

FAR_S = 900.0
"""A clock further than this (and 5 % of the uptime looked back on) from what the uptime says is not believed."""

UPTIME_ERROR_FRAC = 0.05
"""Uptime kept by an uncalibrated RC oscillator may be off by this share. common practice, no source"""

ZONE_STEP_S = 1800.0
ZONE_SLACK_S = 240.0
ZONE_RECORDS_COUNT = 8

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Line(NamedTuple):
    """A straight line: `start` at x = 0."""

    start: float
    slope: float


class Placed(NamedTuple):
    """Believed time of each record, where it came from (`words.TimeFrom`), and whether its set clock was refused."""

    t: FloatArray
    time_from: NDArray[np.int8]
    clock_fault: NDArray[np.bool_]


def lower_line(x: FloatArray, y: FloatArray) -> Line:
    """The line below all points that lies closest to them.

    Parameters
    ----------
    x
        For example a node's uptime. [s], shape (n,)
    y
        For example arrival less uptime: what the clocks differ by, plus a delay that is never negative. [s], shape (n,)

    Returns
    -------
    Line below every point with the smallest sum of distances; a single point (or one x) has slope 0.

    Raises
    ------
    EstimateError
        If there is no point.

    Notes
    -----
    Delays only ever add, so the clocks' own line is the lower edge of the cloud; least squares lies too high and, when
    a queue grows, too steep. The best line passes through the edge of the lower convex hull below the mean of x.
    Source: Moon, Skelly, Towsley, Estimation and removal of clock skew from network delay measurements, INFOCOM 1999.

    Examples
    --------
    >>> lower_line(np.array([0.0, 10.0, 20.0]), np.array([1.0, 9.0, 5.0]))
    Line(start=1.0, slope=0.2)
    """
    if not len(x):
        raise EstimateError("lower line: no points. At least one record with an uptime is needed.")
    order = np.lexsort((y, x))
    hull: list[tuple[float, float]] = []
    for px, py in zip(x[order].tolist(), y[order].tolist(), strict=True):
        if hull and px == hull[-1][0]:
            continue  # of one x only the lowest point counts
        while len(hull) > 1 and _not_below(hull[-2], hull[-1], (px, py)):
            hull.pop()
        hull.append((px, py))
    if len(hull) == 1:
        return Line(hull[0][1], 0.0)
    right = min(max(int(np.searchsorted([p[0] for p in hull], float(x.mean()))), 1), len(hull) - 1)
    (x0, y0), (x1, y1) = hull[right - 1], hull[right]
    slope = (y1 - y0) / (x1 - x0)
    return Line(y0 - slope * x0, slope)


def _not_below(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """True if b lies on or above the line from a to c."""
    return (b[0] - a[0]) * (c[1] - a[1]) <= (b[1] - a[1]) * (c[0] - a[0])


def skew_ppm(clock_s: FloatArray, arrived_s: FloatArray) -> float:
    """How fast real time runs against a node's clock, under delays that are never negative. [ppm]

    >>> round(skew_ppm(np.array([0.0, 1000.0, 2000.0]), np.array([5.0, 1005.02, 2005.04])), 3)
    20.0
    """
    return lower_line(clock_s - clock_s[0], arrived_s - clock_s).slope * 1e6


def place_in_time(
    *, series: IntArray, boot: IntArray, seq: IntArray, arrived: FloatArray, clock_t: FloatArray, late_s: FloatArray,
    up_s: FloatArray,
) -> Placed:  # fmt: skip
    """Believed time of every record of a recording.

    Parameters
    ----------
    series
        Number of the node of each record, shape (n,)
    boot, seq
        The node's counters, shape (n,)
    arrived
        Arrival of each record, since 1970 UTC. [s], shape (n,)
    clock_t
        The node's clock as sent, NaN where there was none. [s], shape (n,)
    late_s, up_s
        Wait on the node and uptime, NaN where not sent. [s], shape (n,)

    Notes
    -----
    Left out: a clock that is wrong by a constant other than half hours and has no uptime beside it; a node whose every
    record waited for the same whole half hour would be taken for one in the wrong zone.

    Examples
    --------
    A set clock; no clock but a wait of 2 s; neither:

    >>> one = np.ones(3, dtype=np.int64)
    >>> nan = np.nan
    >>> placed = place_in_time(series=one, boot=one, seq=np.arange(3), arrived=np.array([1.1e9, 1.2e9, 1.3e9]),
    ...     clock_t=np.array([1.1e9 - 5, nan, 0.0]), late_s=np.array([nan, 2.0, nan]), up_s=np.full(3, nan))
    >>> placed.t - np.array([1.1e9, 1.2e9, 1.3e9])
    array([-5., -2.,  0.])
    >>> placed.time_from
    array([0, 1, 3], dtype=int8)
    """
    waited = np.nan_to_num(late_s, nan=0.0)
    sent = arrived - waited
    sent_fits = ~np.isnan(late_s) & (sent >= CLOCK_SET_SINCE_S)
    sent = np.where(sent_fits | (waited == 0), sent, arrived)
    by_uptime = uptime_times(series=series, boot=boot, seq=seq, sent=sent, up_s=up_s)
    is_set = clock_t >= CLOCK_SET_SINCE_S
    fault = is_set & (clock_t > sent + FUTURE_S)
    fault |= is_set & (clock_t - by_uptime.t > by_uptime.after_s)
    fault |= is_set & (by_uptime.t - clock_t > by_uptime.before_s)
    fault |= is_set & ~fault & _wrong_zone(series, np.where(is_set & ~fault, sent - clock_t, np.nan))
    believed = is_set & ~fault
    has_uptime = ~np.isnan(by_uptime.t)
    time_from = np.select(
        [believed, sent_fits, has_uptime],
        [TimeFrom.CLOCK, TimeFrom.ARRIVAL_LESS_LATE, TimeFrom.UPTIME],
        TimeFrom.ARRIVAL,
    ).astype(np.int8)
    t = np.select([believed, sent_fits, has_uptime], [clock_t, sent, np.minimum(by_uptime.t, arrived)], arrived)
    return Placed(t, time_from, fault)


class UptimeTimes(NamedTuple):
    """Time by the uptime, NaN where that says nothing; how far a clock may be after and before it. [s]"""

    t: FloatArray
    after_s: FloatArray
    before_s: FloatArray


def uptime_times(*, series: IntArray, boot: IntArray, seq: IntArray, sent: FloatArray, up_s: FloatArray) -> UptimeTimes:
    """Time of each record by its uptime against the arrivals of the same cold start.

    A cold start with a single record says no more than its arrival and gives NaN. Where the uptime falls while the
    wakes go on, the counter was wrapped or the boot number repeated: a new piece begins there.
    """
    t = np.full(len(sent), np.nan)
    after_s, before_s = np.full(len(sent), np.inf), np.full(len(sent), np.inf)
    with_uptime = np.flatnonzero(~np.isnan(up_s))
    order = with_uptime[np.lexsort((sent[with_uptime], seq[with_uptime], boot[with_uptime], series[with_uptime]))]
    if not len(order):
        return UptimeTimes(t, after_s, before_s)
    new = np.zeros(len(order), dtype=bool)
    for column in (series, boot):
        new[1:] |= np.diff(column[order]) != 0
    new[1:] |= np.diff(up_s[order]) < 0
    edges = [*np.flatnonzero(new).tolist(), len(order)] if new[0] else [0, *np.flatnonzero(new).tolist(), len(order)]
    for begin, end in pairwise(edges):
        rows = order[begin:end]
        if len(rows) > 1:
            t[rows], live = _piece_times(sent[rows], up_s[rows])
            after_s[rows] = FAR_S + UPTIME_ERROR_FRAC * np.minimum(np.ptp(up_s[rows]), S_PER_D)
            before_s[rows] = after_s[rows] if live else np.inf
    return UptimeTimes(t, after_s, before_s)


def _piece_times(sent: FloatArray, up_s: FloatArray) -> tuple[FloatArray, bool]:
    """Times of one cold start's records, and whether they came as they were made (not all at once, much later)."""
    line = lower_line(up_s, sent - up_s)
    # Steeper than any oscillator drifts: the delays did that, not the clocks.
    slope = line.slope if abs(line.slope) <= UPTIME_ERROR_FRAC else 0.0
    start = line.start if slope else float((sent - up_s).min())
    return start + up_s * (1 + slope), bool(np.ptp(sent) >= np.ptp(up_s) / 2)


def _wrong_zone(series: IntArray, behind_s: FloatArray) -> NDArray[np.bool_]:
    """True for nodes whose clock is behind the arrivals by the same whole half hours, again and again."""
    wrong = np.zeros(len(series), dtype=bool)
    rows = np.flatnonzero(~np.isnan(behind_s))
    rows = rows[np.argsort(series[rows], kind="stable")]
    if not len(rows):
        return wrong
    edges = [0, *(np.flatnonzero(np.diff(series[rows])) + 1).tolist(), len(rows)]
    for begin, end in pairwise(edges):
        piece = rows[begin:end]
        if len(piece) < ZONE_RECORDS_COUNT:
            continue
        low, high = np.quantile(behind_s[piece], [0.02, 0.9])
        steps = round(float(low) / ZONE_STEP_S)
        if steps >= 1 and abs(low - steps * ZONE_STEP_S) < ZONE_SLACK_S and high - low < ZONE_SLACK_S:
            wrong[piece] = np.abs(behind_s[piece] - low) < 2 * ZONE_SLACK_S
    return wrong
