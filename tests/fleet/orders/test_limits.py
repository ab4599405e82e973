"""No order passes the limits that breaks one; each limit bites exactly at its edge."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from fleet.errors import LimitError
from fleet.messages import BandSettings
from fleet.orders_limits import Breach, NodeState, breaches, overridden
from fleet.profiles.profile import Battery, Coprocessor, Figure, Limits, OrderRules, Profile, Sleep, Wake

LIMITS = Limits(
    lo=(0.2, 1.8), hi=(0.9, 3.0), gap_min=0.2, hyst=(0.0, 0.3), sleep_s=(300.0, 21_600.0), period_ms=(50.0, 2000.0),
    avg=(1, 32), silence_s=14_400.0, alarm=(0.25, 2.6),
)  # fmt: skip
PROFILE = Profile(
    profile="p",
    sleep=Sleep(current_ua=Figure(9.0)),
    wake=Wake(current_ma=Figure(38.0), length_ms=Figure(350.0)),
    battery=Battery(chemistry="alkaline", capacity_mah=Figure(2500.0), cutoff_mv=2000.0),
    coprocessor=Coprocessor(run_ma=Figure(2.0), run_us=Figure(40.0)),
    limits=LIMITS,
    orders=OrderRules(),
)
NOW = BandSettings(lo=0.8, hi=2.0, hyst=0.05, sleep_s=3600.0, period_ms=100.0, avg=8)
STATE = NodeState(
    node="n1", now=NOW, records_count=500, span_d=30.0, loaded_mv=2800.0, days_left_p10=200.0, service_d=100.0
)


def codes(wanted: BandSettings = NOW, *, state: NodeState = STATE, profile: Profile = PROFILE) -> set[str]:
    return {one.code for one in breaches(wanted, state, profile, per_hour=60)}


def test_what_runs_already_passes() -> None:
    assert codes() == set()


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"lo": 0.2}, "G2"), ({"lo": 0.25}, "G2"), ({"lo": 0.26}, None),
        ({"hi": 2.6}, "G2"), ({"hi": 2.59}, None),
        ({"sleep_s": 7200.0}, None), ({"sleep_s": 7201.0}, "G1"),
        ({"sleep_s": 299.0}, "range"), ({"sleep_s": 300.0}, None),
        ({"lo": 1.8}, None), ({"lo": 1.81}, "range"),
        ({"hyst": 0.3}, None), ({"hyst": 0.31}, "range"),
        ({"period_ms": 50.0}, None), ({"period_ms": 49.0}, "range"),
        ({"avg": 32}, None), ({"avg": 33}, "range"), ({"avg": None}, "range"),
    ],
)  # fmt: skip
def test_settings_at_their_edges(changed: dict[str, Any], code: str | None) -> None:
    assert codes(msgspec.structs.replace(NOW, **changed)) == ({code} if code else set())


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"loaded_mv": 2099.0}, "G3"), ({"loaded_mv": 2100.0}, None),
        ({"days_left_p10": 6.9}, "G3"), ({"days_left_p10": 7.0}, None),
        ({"days_left_p10": 99.0, "drain_ratio_new": 1.01}, "G3"),
        ({"days_left_p10": 99.0, "drain_ratio_new": 0.9}, None),
        ({"wakes_per_d_new": 900.0, "radio_s_per_wake": 1.0}, "G4"),
        ({"wakes_per_d_new": 800.0, "radio_s_per_wake": 1.0}, None),
        ({"records_count": 49}, "G5"), ({"records_count": 50}, None), ({"span_d": 6.9}, "G5"), ({"span_d": 7.0}, None),
        ({"open_faults": ("clock_wrong",)}, "G5"),
        ({"sent_last_hour_count": 60}, "G6"), ({"sent_last_hour_count": 59}, None),
        ({"key_known": False}, "G8"), ({"seen_settings": False}, "G8"),
    ],
)  # fmt: skip
def test_states_at_their_edges(changed: dict[str, Any], code: str | None) -> None:
    found = codes(state=msgspec.structs.replace(STATE, **changed))
    assert found == ({code} if code else set())


def test_a_silence_longer_than_the_sites_is_refused() -> None:
    """G1 by the site's own limit, from a node that sleeps long already."""
    state = msgspec.structs.replace(STATE, now=msgspec.structs.replace(NOW, sleep_s=10_000.0))
    assert codes(msgspec.structs.replace(NOW, sleep_s=14_400.0), state=state) == set()
    assert codes(msgspec.structs.replace(NOW, sleep_s=14_401.0), state=state) == {"G1"}


def test_longer_sleep_of_a_passivating_cell_needs_a_reading_under_load() -> None:
    """Passivation of lithium thionyl chloride cells: common practice, no source."""
    battery = msgspec.structs.replace(PROFILE.battery, chemistry="li-socl2")
    profile = msgspec.structs.replace(PROFILE, battery=battery)
    state = msgspec.structs.replace(STATE, loaded_mv=None)
    longer = msgspec.structs.replace(NOW, sleep_s=7200.0)
    assert codes(longer, state=state, profile=profile) == {"G3"}
    assert codes(longer, profile=profile) == set()


def test_readings_must_fit_into_the_period() -> None:
    slow = msgspec.structs.replace(PROFILE, coprocessor=Coprocessor(run_ma=Figure(2.0), run_us=Figure(13_000.0)))
    assert codes(profile=slow) == {"G7"}  # 8 × 13 ms = 104 ms in 100 ms


def test_100_000_orders_none_outside_the_limits_passes() -> None:
    """Goal S11. The rule is written down a second time here, and plainly."""
    dice, passed = random.Random(6), 0
    for _ in range(100_000):
        lo, hi = dice.uniform(0.0, 2.0), dice.uniform(0.5, 3.2)
        wanted = BandSettings(
            lo=lo, hi=hi, hyst=dice.uniform(-0.05, 0.35), sleep_s=dice.uniform(200, 9000),
            period_ms=dice.uniform(40, 2100), avg=dice.randint(0, 34),
        )  # fmt: skip
        if codes(wanted):
            continue
        passed += 1
        assert wanted.hyst is not None and wanted.sleep_s is not None
        assert wanted.period_ms is not None and wanted.avg is not None
        assert 0.25 < lo <= 1.8 and 0.9 <= hi < 2.6 and hi - lo >= 0.2 - 1e-9 and 0 <= wanted.hyst <= 0.3
        assert 300 <= wanted.sleep_s <= 7200 and 50 <= wanted.period_ms <= 2000 and 1 <= wanted.avg <= 32
    assert passed > 5_000  # the rig lets orders through


@pytest.mark.parametrize(("reason", "second"), [("", "bob"), ("storm", ""), ("storm", "Ann"), ("storm", " ann ")])
def test_an_override_needs_a_reason_and_another_person(reason: str, second: str) -> None:
    found, now_at = [Breach("G2", "x")], datetime(2026, 1, 2, tzinfo=UTC)
    with pytest.raises(LimitError, match="second person"):
        overridden(found, reason=reason, by="ann", second=second, now_at=now_at)
    said = overridden(found, reason="storm", by="ann", second="bob", now_at=now_at)
    assert said == "G2 overridden on 2026-01-02 by ann and bob: storm"
