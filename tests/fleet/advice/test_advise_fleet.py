"""Advice for a fleet: evidence, remedies, limits, targets, shared settings, speed of the path end to end."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd
import pytest

from fleet.advice.choose import Target
from fleet.advice.fleet import advise_fleet
from fleet.frames import ADVICE, DAY, ESTIMATE, FLAG, empty_frame
from fleet.profiles.profile import Limits
from tests.fleet.advice.simulated_node import NOW, START_S, profile, records, setting_rows, tide

AS_OF = datetime.fromtimestamp(START_S + 21 * 86_400, UTC)


class Estimates:
    """The one frame that advice reads."""

    def __init__(self, nodes: pd.DataFrame) -> None:
        self.nodes = nodes


def advise(
    frame: pd.DataFrame,
    *,
    target: Target,
    flags: pd.DataFrame | None = None,
    limits: Limits | None = None,
    estimates: pd.DataFrame | None = None,
) -> list[dict[str, Any]]:
    ids = sorted(frame["node_id"].unique())
    nodes = pd.DataFrame([{"node_id": n, "profile": "p", "retired": False} for n in ids])
    advice = advise_fleet(
        frame,
        {},
        empty_frame(DAY),
        Estimates(empty_frame(ESTIMATE) if estimates is None else estimates),
        empty_frame(FLAG) if flags is None else flags,
        nodes=nodes,
        profiles={"p": profile(limits=limits)},
        settings=pd.concat([setting_rows(node_id=int(n)) for n in ids]),
        target=target,
        as_of_at=AS_OF,
    )
    assert set(ADVICE) <= set(advice.columns)
    return [{str(k): v for k, v in row.items()} for row in advice.to_dict("records")]


def test_a_wake_budget_is_met_by_a_setting_that_misses_nothing() -> None:
    (row,) = advise(records(tide()), target=Target(wakes_per_day=14.0))
    assert row["remedy"] == "settings"
    assert row["wakes_per_day"] <= 14.0
    assert row["events_seen"] > 0.97
    assert "→" in row["sentence"] and "wakes a day" in row["sentence"]
    assert len(row["curve"]) >= 1


def test_a_life_target_is_met_where_the_days_are_known() -> None:
    estimate = {
        "node_id": 1, "as_of": 86_400.0 * 20, "since": 0.0, "drain_mah_per_day": 4.0, "drain_mah_per_day_lo": 3.6,
        "drain_mah_per_day_hi": 4.4, "part_sleep": 0.25, "days_left_p10": 80.0, "days_left_p50": 100.0,
        "days_left_p90": 130.0,
    }  # fmt: skip
    frame = pd.DataFrame([{name: estimate.get(name) for name in ESTIMATE}])
    target = Target(until_at=AS_OF + timedelta(days=160), odds=0.9)
    (row,) = advise(records(tide()), target=target, estimates=frame)
    assert row["remedy"] == "settings"
    assert row["days_left_p10"] >= 155
    (row,) = advise(records(tide()), target=Target(until_at=AS_OF + timedelta(days=60)), estimates=frame)
    assert row["remedy"] == "none"
    assert "reach the target" in row["sentence"]


def test_limits_and_alarm_are_never_crossed() -> None:
    limits = Limits(lo=(-0.9, 0.0), hi=(0.0, 1.4), hyst=(0.0, 0.02), sleep_s=(300.0, 3600.0), alarm=(-2.0, 0.85))
    (row,) = advise(records(tide()), target=Target(wakes_per_day=2.0), limits=limits)
    assert row["hi"] < 0.85 and row["lo"] >= -0.9 and row["hyst"] <= 0.02 and row["sleep_s"] <= 3600.0
    assert "closest" in row["sentence"]


def test_too_little_evidence_says_what_is_missing() -> None:
    (row,) = advise(records(tide(days=3.0)), target=Target(wakes_per_day=10.0))
    assert row["remedy"] == "none"
    assert "at least 50 over 7 days" in row["sentence"]


@pytest.mark.parametrize("flag", ["clock_wrong", "ids_crossed"])
def test_no_advice_while_clock_or_identity_is_in_doubt(flag: str) -> None:
    flags = pd.DataFrame([{"node_id": 1, "flag": flag}])
    (row,) = advise(records(tide()), target=Target(wakes_per_day=10.0), flags=flags)
    assert row["remedy"] == "none" and flag in row["missing"]


@pytest.mark.parametrize("flag", ["sleep_leak", "weak_cell"])
def test_a_fault_of_the_hardware_wants_a_visit_not_a_setting(flag: str) -> None:
    flags = pd.DataFrame([{"node_id": 1, "flag": flag}])
    (row,) = advise(records(tide()), target=Target(wakes_per_day=10.0), flags=flags)
    assert row["remedy"] == "visit"
    assert pd.isna(row["hyst"])


def test_like_nodes_get_one_setting() -> None:
    frames = [records(tide(amplitude=0.9 + 0.002 * n), node_id=n, noise_sd=0.02 + 0.001 * n) for n in (1, 2, 3, 4)]
    rows = advise(pd.concat(frames, ignore_index=True), target=Target(wakes_per_day=12.0))
    assert len({(row["lo"], row["hi"], row["hyst"], row["sleep_s"], row["avg"]) for row in rows}) == 1


def test_without_a_target_chatter_is_cured_and_the_timer_is_left() -> None:
    slow = tide(amplitude=0.71)  # highs stand just below the edge
    (row,) = advise(records(slow, noise_sd=0.03), target=Target())
    assert row["remedy"] == "settings"
    assert row["sleep_s"] <= 4 * (NOW.sleep_s or 0)
    assert row["wakes_per_day"] < 35


def test_no_records_give_one_row_that_says_so() -> None:
    nodes = pd.DataFrame([{"node_id": 9, "profile": "p", "retired": False}])
    advice = advise_fleet(
        records(tide()).iloc[:0],
        {},
        empty_frame(DAY),
        Estimates(empty_frame(ESTIMATE)),
        empty_frame(FLAG),
        nodes=nodes,
        profiles={"p": profile()},
        settings=setting_rows().iloc[:0],
        target=Target(),
        as_of_at=AS_OF,
    )
    assert advice["remedy"].tolist() == ["none"]
