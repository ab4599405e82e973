"""What one battery has shown: voltage in spans of days, with the charge counted up to each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
WIDENING = 1.35  # each span is so many times as long as the one after it
SPANS_LEAST = 10  # no span is longer than this part of the whole
NODE_NOISE_MV = 3.0  # of one day's median, whatever the converter's step


@dataclass(frozen=True)
class DaySeries:
    """One battery's days; arrays of shape (n_days,), NaN where not known.

    `floor_mah` and `wake_mah` are of the day alone, up to the moment of judging on the last one.
    """

    age_d: FloatArray  # middle of the day's records, since the start of the series
    rest_mv: FloatArray
    load_mv: FloatArray
    noise_mv: FloatArray  # standard deviation of the day's median
    temp_c: FloatArray
    floor_mah: FloatArray
    wake_mah: FloatArray
    end_d: float  # age at the moment of judging
    step_mv: float


@dataclass(frozen=True)
class Evidence:
    """Spans of days with a voltage, oldest first; arrays of shape (n_spans,). Rest and load readings are rows apart."""

    age_d: FloatArray
    mv: FloatArray
    variance_mv2: FloatArray
    loaded: NDArray[np.bool_]
    temp_c: FloatArray
    floor_mah: FloatArray  # counted from the start of the series
    wake_mah: FloatArray
    end_d: float
    end_floor_mah: float
    end_wake_mah: float


def evidence_of(series: DaySeries) -> Evidence:
    """Voltages of spans that grow longer into the past; the last days stay apart, because a knee is short.

    Examples
    --------
    >>> two = np.array([0.5, 1.5])
    >>> found = evidence_of(DaySeries(two, np.array([4000.0, 3990.0]), two * np.nan, two * 0 + 3.0, two * 0 + 20.0,
    ...                               two * 0 + 1.0, two * 0 + 2.0, 2.0, 4.0))
    >>> found.mv, found.wake_mah, found.end_wake_mah
    (array([4000., 3990.]), array([1., 3.]), 4.0)
    """
    floor, wake = _counted_at(series, series.floor_mah), _counted_at(series, series.wake_mah)
    span = _span_of(series.age_d, series.end_d)
    parts = []
    for loaded, mv in ((False, series.rest_mv), (True, series.load_mv)):
        known = np.isfinite(mv) & np.isfinite(series.temp_c)
        for number in np.unique(span[known]):
            chosen = known & (span == number)
            parts.append((*_span_row(series, mv, floor, wake, chosen=chosen), float(loaded)))
    rows = np.array(sorted(parts), dtype=float).reshape(-1, 7)
    return Evidence(
        age_d=rows[:, 0],
        mv=rows[:, 1],
        variance_mv2=rows[:, 2],
        temp_c=rows[:, 3],
        floor_mah=rows[:, 4],
        wake_mah=rows[:, 5],
        loaded=rows[:, 6] > 0,
        end_d=series.end_d,
        end_floor_mah=float(series.floor_mah.sum()),
        end_wake_mah=float(series.wake_mah.sum()),
    )


def _counted_at(series: DaySeries, daily: FloatArray) -> FloatArray:
    """Charge counted up to the middle of each day's records."""
    return np.asarray(np.cumsum(daily) - 0.5 * daily, dtype=float)


def _span_of(age_d: FloatArray, end_d: float) -> NDArray[np.int64]:
    edges, width = [end_d], 1.0
    longest = max(end_d / SPANS_LEAST, 1.0)
    while edges[-1] > 0:
        edges.append(edges[-1] - width)
        width = min(width * WIDENING, longest)
    return np.searchsorted(np.array(edges[::-1]), age_d, side="right").astype(np.int64)


def _span_row(
    series: DaySeries, mv: FloatArray, floor: FloatArray, wake: FloatArray, *, chosen: NDArray[np.bool_]
) -> tuple[float, ...]:
    count = float(chosen.sum())
    # Half of the noise is shared by neighbouring days: weather, link, converter.
    noise = float(np.mean(series.noise_mv[chosen] ** 2)) + NODE_NOISE_MV**2 + series.step_mv**2 / 12.0
    variance = noise / count + 0.1 * noise
    means = (float(np.mean(values[chosen])) for values in (series.temp_c, floor, wake))
    return (float(np.mean(series.age_d[chosen])), float(np.mean(mv[chosen])), variance, *means)
