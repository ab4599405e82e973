"""Live placing agrees with the placing of a whole recording."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from fleet.messages import WakeRecord
from fleet.words import TimeFrom
from ingest.placing import Placer

START_S = 1.8e9


def wake(**given: float) -> WakeRecord:
    return WakeRecord(boot=1, seq=1, cause="timer", **given)  # type: ignore[arg-type]  # numbers only


@pytest.mark.parametrize(
    ("given", "back_s", "source"),
    [
        ({"t": START_S - 5}, 5, TimeFrom.CLOCK),
        ({"t": START_S - 9e5}, 9e5, TimeFrom.CLOCK),
        ({"t": START_S + 3600, "late_s": 9.0}, 9, TimeFrom.ARRIVAL_LESS_LATE),
        ({"t": 100.0, "late_s": 7.0}, 7, TimeFrom.ARRIVAL_LESS_LATE),
        ({"late_s": 1e300}, 0, TimeFrom.ARRIVAL),
        ({"up_s": 50.0}, 0, TimeFrom.ARRIVAL),
        ({}, 0, TimeFrom.ARRIVAL),
    ],
)
def test_best_source_first(given: dict[str, float], back_s: float, source: TimeFrom) -> None:
    assert Placer().place("n1", START_S, wake(**given)) == (START_S - back_s, source)


def test_uptime_places_a_late_record_by_the_quickest_before() -> None:
    placer = Placer()
    placer.place("n1", START_S, wake(up_s=0.0))
    assert placer.place("n1", START_S + 900 + 40, wake(up_s=900.0)) == (START_S + 900, TimeFrom.UPTIME)


def test_a_clock_that_jumps_is_not_believed_any_more() -> None:
    placer = Placer()
    sources = []
    for n in range(40):
        at = START_S + n * 900
        clock = at - (5 * 86_400 if n >= 20 else 0)
        sources.append(placer.place("n1", at + 2, wake(t=clock, up_s=n * 900.0))[1])
    assert set(sources[:20]) == {TimeFrom.CLOCK}
    assert set(sources[20:]) == {TimeFrom.UPTIME}


def test_a_clock_in_the_wrong_zone_is_noticed_after_a_few_records() -> None:
    placer = Placer()
    sources = [placer.place("n1", START_S + n * 900, wake(t=START_S + n * 900 - 7200))[1] for n in range(20)]
    assert sources[-1] == TimeFrom.ARRIVAL


def test_a_slow_oscillator_is_followed() -> None:
    placer = Placer()
    true_s = np.arange(0, 20 * 86_400.0, 1800)
    found = [placer.place("n1", START_S + s + 1, wake(up_s=s * 0.98))[0] for s in true_s]
    assert_allclose(found, START_S + true_s, atol=2 * 0.02 * 86_400 + 2)
