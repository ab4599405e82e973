"""The short form of the flag bench: 96 nodes, 120 days, no batteries; the long one is `flag_error.py` itself."""

from __future__ import annotations

import pytest

from tests.bench.flag_error import by_kind, days_of, false_alarms, judged, weekly_flags
from tests.bench.flag_fleet import FIRST_DAY, make_fleet

pytestmark = pytest.mark.bench
NODES, DAYS = 96, 120
NEEDS_A_BATTERY = ("sleep_leak", "weak_cell", "swap_seen")


def test_faults_are_seen_in_time_and_health_is_left_alone() -> None:
    made = make_fleet(NODES, DAYS, seed=11)
    flags = weekly_flags(made, days_of(made), quick=True)
    kinds = by_kind(flags, made.truth, FIRST_DAY + DAYS)
    asked = kinds[~kinds["kind"].isin(NEEDS_A_BATTERY)]
    recall = (asked["recall"] * asked["n"]).sum() / asked["n"].sum()
    tops = judged(flags, made.truth)
    precision = tops["right"].eq(True).sum() / tops["right"].notna().sum()
    node_weeks = NODES * flags["at_d"].nunique()
    print(kinds.round(2).to_string(), f"\nrecall {recall:.2f}, precision {precision:.2f}")
    assert recall >= 0.9
    assert precision >= 0.9
    assert 1000 * len(false_alarms(tops)) / node_weeks <= 4.0
