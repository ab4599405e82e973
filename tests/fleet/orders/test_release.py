"""Who goes first, what stops a release, and how often it is stopped rightly and wrongly."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fleet.orders_release import Candidate, Verdict, Watched, judge, sequential_test, stages
from fleet.words import OrderState

from .simulated import halted_in


def watched(**changed: Any) -> Watched:
    values: dict[str, Any] = {
        "node": "n1", "state": OrderState.ON_TRIAL, "trial_s": 90_000.0, "records_count": 25, "wakes_count": 25.0,
        "expected_wakes_count": 25.0,
    }  # fmt: skip
    return Watched(**{**values, **changed})


def test_one_node_goes_first_and_no_group_is_over_a_tenth() -> None:
    groups = stages([Candidate(node=f"n{at:03}") for at in range(100)], fleet_count=200)
    assert len(groups[0]) == 1
    assert len(groups[0]) + len(groups[1]) == 5
    assert max(map(len, groups)) <= 20
    assert sorted(name for group in groups for name in group) == [f"n{at:03}" for at in range(100)]


def test_the_best_battery_then_the_best_link_goes_first() -> None:
    nodes = [
        Candidate(node="weak", days_left_p10=20.0, tries_mean=1.0),
        Candidate(node="far", days_left_p10=200.0, tries_mean=2.0),
        Candidate(node="best", days_left_p10=200.0, tries_mean=1.0),
        Candidate(node="unknown"),
    ]
    assert [name for group in stages(nodes, fleet_count=4) for name in group] == ["best", "far", "weak", "unknown"]


def test_a_pair_is_never_in_one_group() -> None:
    nodes = [Candidate(node=f"n{at}", pair=f"n{at ^ 1}") for at in range(40)]
    groups = stages(nodes, fleet_count=400)
    assert all(f"n{int(name[1:]) ^ 1}" not in group for group in groups for name in group)
    assert sum(map(len, groups)) == 40


def test_no_nodes_make_no_groups() -> None:
    assert [group for group in stages([], fleet_count=10) if group] == []


def test_the_test_is_walds() -> None:
    """Wald 1945, by hand: wakes·ln 2 − expected against ln(0.95/0.001) = 6.856 and ln(0.05/0.999) = −2.995."""
    assert math.isclose(math.log(0.95 / 0.001), 6.856, abs_tol=5e-4)
    assert [sequential_test(22, 8.0), sequential_test(21, 8.0)] == [1, 0]  # 7.25 and 6.56
    assert [sequential_test(7, 8.0), sequential_test(8, 8.0)] == [-1, 0]  # −3.15 and −2.45


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"resets_count": 1}, "reset on trial"),
        ({"state": OrderState.UNSURE}, "not what was sealed"),
        ({"state": OrderState.REFUSED}, "refused"),
        ({"state": OrderState.PUT_BACK}, "by itself"),
        ({"silent_s": 7201.0}, "silent"),
        ({"missed_alarm": True}, "missed a crossing"),
        ({"drain_low": 2.0, "drain_promised_high": 1.9}, "drains at least"),
        ({"wakes_count": 60.0}, "85 wakes where 50.0"),
    ],
)
def test_each_condition_halts_at_once(changed: dict[str, Any], said: str) -> None:
    judged = judge([watched(node="n0"), watched(**changed)])
    assert judged.verdict is Verdict.HALT
    assert said in judged.why


@pytest.mark.parametrize("changed", [{"records_count": 2}, {"trial_s": 86_399.0}])
def test_a_group_waits_for_its_evidence(changed: dict[str, Any]) -> None:
    assert judge([watched(**changed)]).verdict is Verdict.WAIT
    assert judge([watched()]).verdict is Verdict.GO_ON


def test_a_storm_that_wakes_the_unordered_too_halts_nothing() -> None:
    assert judge([watched(wakes_count=60.0)], control_ratio=2.4).verdict is Verdict.GO_ON


@pytest.mark.parametrize("wakes_per_d", [24.0, *(pytest.param(rate, marks=pytest.mark.slow) for rate in (12.0, 48.0))])
def test_a_bad_order_is_halted_and_a_good_one_is_not(wakes_per_d: float) -> None:
    """Goal S10: wakes doubled, halted before the third group in at least 94 %; false halts at most 1 %."""
    dice = np.random.default_rng(7)
    every = {"fleet": 60, "ordered": 40, "wakes_per_d": wakes_per_d}
    bad = [halted_in(dice, factor=2.0, **every) for _ in range(1000)]  # type: ignore[arg-type]  # one dict of kinds
    good = [halted_in(dice, factor=1.0, **every) for _ in range(1000)]  # type: ignore[arg-type]  # one dict of kinds
    assert np.mean([0 <= group < 2 for group in bad]) >= 0.94
    assert np.mean([group >= 0 for group in good]) <= 0.01
