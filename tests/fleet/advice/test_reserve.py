"""The reserve ladder of a simulated node: each rung's charge is drain of the interval before times days."""

from __future__ import annotations

import pytest

from fleet.advice.fleet import known_node
from fleet.advice.reserve import interval_steps, reserve_ladder
from tests.fleet.advice.simulated_node import profile, records, setting_rows, tide


def test_rungs_fall_with_the_interval_and_hold_the_charge_that_is_needed() -> None:
    known = known_node(records(tide()), setting_rows(), {"node_id": 1}, profile(), {})
    assert known is not None
    steps = interval_steps(known.model, known.seen.now, known.profile, known.budget)
    rungs = reserve_ladder(steps, usable_mah=2000.0, until_d=120.0, odds=0.5)
    assert [rung.sleep_s for rung in rungs] == [7200.0, 10_800.0, 14_400.0, 21_600.0]
    assert rungs[0].charge_left == pytest.approx(steps[0].drain_mah_per_day.mid * 120.0 / 2000.0)
    assert sorted((rung.charge_left for rung in rungs), reverse=True) == [rung.charge_left for rung in rungs]
    surer = reserve_ladder(steps, usable_mah=2000.0, until_d=120.0, odds=0.9)
    assert surer[0].charge_left > rungs[0].charge_left
