"""Time of a record, and clocks under delays that are never negative."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from fleet.errors import EstimateError
from fleet.wire_time import Placed, lower_line, place_in_time, skew_ppm
from fleet.words import TimeFrom

DAY_S = 86_400.0
START_S = 1.8e9


def test_skew_by_the_lower_line() -> None:
    """Six points, true skew 20 ppm, extra delays 0, .04, .01, .09, .12, 0 s.

    Lower line 20.0000 ppm, least squares 29.142857 ppm. Method: Moon, Skelly, Towsley, Estimation and removal of clock
    skew from network delay measurements, INFOCOM 1999; the figures by hand and by linear programme.
    """
    clock_s = np.arange(6) * 1000.0
    arrived_s = clock_s * (1 + 20e-6) + np.array([0, 0.04, 0.01, 0.09, 0.12, 0])
    assert_allclose(skew_ppm(clock_s, arrived_s), 20.0, atol=1e-4)
    assert_allclose(np.polyfit(clock_s, arrived_s - clock_s, 1)[0] * 1e6, 29.142857, atol=1e-5)


@pytest.mark.parametrize("seed", range(20))
def test_lower_line_is_the_linear_programmes(seed: int) -> None:
    """Against scipy.optimize.linprog: smallest sum of distances, never above a point."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 100, 30), rng.exponential(5, 30)
    y += 3 + 0.02 * x
    best = linprog([-len(x), -x.sum()], A_ub=np.column_stack([np.ones(30), x]), b_ub=y, bounds=[(None, None)] * 2)
    line = lower_line(x, y)
    assert_allclose((y - line.start - line.slope * x).sum(), (y.sum() + best.fun), atol=1e-6)
    assert (y - line.start - line.slope * x).min() > -1e-9


def test_skew_of_two_weeks_with_a_growing_queue() -> None:
    """20 ppm over 14 days at 10 min, delays that grow. An outside run of 60 gave RMS .0020 ppm for the lower line."""
    found = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        clock_s = np.arange(0, 14 * DAY_S, 600.0)
        arrived_s = clock_s * (1 + 20e-6) + rng.exponential(0.05, len(clock_s)) * (1 + clock_s / clock_s[-1])
        found.append(skew_ppm(clock_s, arrived_s))
    assert_allclose(found, 20.0, atol=0.02)


def test_no_points_make_no_line() -> None:
    with pytest.raises(EstimateError):
        lower_line(np.array([]), np.array([]))


def placed(arrived: Any, **given: Any) -> Placed:
    arrived = np.asarray(arrived, dtype=float)
    nan = np.full(len(arrived), np.nan)
    columns = {name: np.broadcast_to(np.asarray(given.get(name, nan), dtype=float), len(arrived)).copy()
               for name in ("clock_t", "late_s", "up_s")}  # fmt: skip
    return place_in_time(
        series=np.asarray(given.get("series", np.ones(len(arrived), dtype=np.int64))),
        boot=np.asarray(given.get("boot", np.ones(len(arrived), dtype=np.int64))),
        seq=np.asarray(given.get("seq", np.arange(len(arrived)))),
        arrived=arrived,
        **columns,
    )


def test_a_set_clock_is_believed_also_for_buffered_days() -> None:
    t = START_S + np.arange(200) * 900.0
    found = placed(np.full(200, t[-1] + 5), clock_t=t)
    assert_allclose(found.t, t)
    assert set(found.time_from) == {TimeFrom.CLOCK}
    assert not found.clock_fault.any()


@pytest.mark.parametrize("clock", [0.0, 1e6, 978_307_199.0])
def test_a_clock_before_2001_is_not_set(clock: float) -> None:
    found = placed([START_S], clock_t=clock, late_s=30.0)
    assert found.t[0] == START_S - 30
    assert found.time_from[0] == TimeFrom.ARRIVAL_LESS_LATE
    assert not found.clock_fault[0]


@pytest.mark.parametrize("ahead_s", [3600.0, 7 * DAY_S, 80 * 365 * DAY_S])
def test_a_clock_in_the_future_of_its_arrival_is_a_fault(ahead_s: float) -> None:
    found = placed([START_S], clock_t=START_S + ahead_s)
    assert (found.t[0], found.time_from[0], found.clock_fault[0]) == (START_S, TimeFrom.ARRIVAL, True)


def test_a_clock_that_jumps_away_from_the_uptime_is_a_fault() -> None:
    up_s = np.arange(100) * 900.0
    clock = START_S + up_s
    clock[50:] -= 5 * DAY_S
    found = placed(START_S + up_s + 2.0, clock_t=clock, up_s=up_s)
    assert list(np.flatnonzero(found.clock_fault)) == list(range(50, 100))
    assert_allclose(found.t, START_S + up_s, atol=3)
    assert set(found.time_from[50:]) == {TimeFrom.UPTIME}


def test_a_clock_in_the_wrong_zone_is_a_fault() -> None:
    t = START_S + np.arange(50) * 900.0
    found = placed(t + 3, clock_t=t - 3600)
    assert found.clock_fault.all()
    assert_allclose(found.t, t + 3)


def test_buffered_records_without_clock_are_placed_by_uptime() -> None:
    """Two days of records sent at once; the last one was fresh, so its uptime tells when the others were."""
    up_s = np.arange(0, 2 * DAY_S, 900.0)
    found = placed(np.full(len(up_s), START_S + up_s[-1]), up_s=up_s)
    assert_allclose(found.t, START_S + up_s)
    assert set(found.time_from) == {TimeFrom.UPTIME}


def test_uptime_of_an_oscillator_off_by_two_per_cent() -> None:
    true_s = np.arange(0, 20 * DAY_S, 1800.0)
    delay_s = np.random.default_rng(1).exponential(3, len(true_s))
    found = placed(START_S + true_s + delay_s, up_s=true_s * 0.98)
    assert_allclose(found.t, START_S + true_s, atol=10)


def test_an_impossible_wait_is_not_believed() -> None:
    found = placed([START_S], late_s=1e300)
    assert (found.t[0], found.time_from[0]) == (START_S, TimeFrom.ARRIVAL)
