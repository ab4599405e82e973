"""A simulated fleet: repeatable, valid on the wire, and its charge adds up."""

from __future__ import annotations

from datetime import UTC, datetime

import msgspec
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from fleet.demo.lives import SettingsChange
from fleet.demo.scenario import ALKALINE, profiles
from fleet.demo.simulated import SimulatedFleet, simulate_fleet
from fleet.demo.spec import Fault, FaultKind, NodeSpec, factory_settings
from fleet.frames import EVENT, NODE, RECORD, SETTING, check_frame
from fleet.messages import WakeRecord
from fleet.words import Cause

SINCE_AT = datetime(2025, 6, 1, tzinfo=UTC)
DAYS = 40
KINDS = list(FaultKind)


@pytest.fixture(scope="module")
def fleet() -> SimulatedFleet:
    return simulate_fleet(specs(), since_at=SINCE_AT, days=DAYS, seed=3)


def specs() -> list[NodeSpec]:
    """One healthy node, then one of each fault, then the one that changed places with the last fault's."""
    healthy = NodeSpec(node="ok", profile=profiles()[ALKALINE], hist_every_count=10)
    last = len(KINDS)
    faulty = [
        NodeSpec(
            node=kind.value,
            profile=profiles()[ALKALINE],
            buffer_count=8,
            faults=(Fault(kind=kind, onset_d=15.0, partner=last + 1 if number == last else None),),
        )
        for number, kind in enumerate(KINDS, start=1)
    ]
    crossed = Fault(kind=FaultKind.IDS_CROSSED, onset_d=15.0, partner=last)
    return [healthy, *faulty, NodeSpec(node="crossed", profile=profiles()[ALKALINE], faults=(crossed,))]


def of(fleet: SimulatedFleet, name: str) -> pd.DataFrame:
    node_id = fleet.nodes.set_index("node").loc[name, "node_id"]
    return fleet.records[fleet.records["node_id"] == node_id]


def after_onset(records: pd.DataFrame) -> pd.DataFrame:
    return records[records["t"] >= SINCE_AT.timestamp() + 16 * 86_400]


def test_frames_have_the_columns_that_the_stages_want(fleet: SimulatedFleet) -> None:
    for frame, columns in (
        (fleet.records, RECORD),
        (fleet.settings, SETTING),
        (fleet.nodes, NODE),
        (fleet.events, EVENT),
    ):
        check_frame(frame, columns, "simulated")


def test_the_same_seed_gives_the_same_records_and_another_gives_others(fleet: SimulatedFleet) -> None:
    again = simulate_fleet(specs()[:3], since_at=SINCE_AT, days=DAYS, seed=3)
    first = fleet.records[fleet.records["node_id"].isin([2, 3])].reset_index(drop=True)
    pd.testing.assert_frame_equal(
        again.records[again.records["node_id"].isin([2, 3])].reset_index(drop=True).drop(columns="set_id"),
        first.drop(columns="set_id"),
    )
    other = simulate_fleet(specs()[:1], since_at=SINCE_AT, days=DAYS, seed=4)
    assert not np.array_equal(other.records["arrived"], again.records["arrived"])


def test_a_node_does_not_change_because_another_joins(fleet: SimulatedFleet) -> None:
    alone = simulate_fleet([specs()[2]], since_at=SINCE_AT, days=DAYS, seed=3)
    assert_allclose(alone.records["arrived"], fleet.records.loc[fleet.records["node_id"] == 3, "arrived"])


def test_every_message_is_a_wake_record_of_the_contract(fleet: SimulatedFleet) -> None:
    count = 0
    for _, topic, payload in fleet.messages("marsh"):
        assert topic.startswith("marsh/") and topic.endswith("/wake")
        value = msgspec.json.decode(payload)
        for record in value if isinstance(value, list) else [value]:
            msgspec.convert(record, WakeRecord)
            count += 1
    assert count == len(fleet.records)


def test_messages_come_in_order_of_arrival(fleet: SimulatedFleet) -> None:
    at = [message[0] for message in fleet.messages()]
    assert at == sorted(at)


def test_records_of_a_boot_are_counted_without_a_double(fleet: SimulatedFleet) -> None:
    assert not fleet.records[["node_id", "boot", "seq"]].duplicated().any()


def test_nodes_that_changed_places_report_under_each_other_s_name(fleet: SimulatedFleet) -> None:
    onset_s = SINCE_AT.timestamp() + 15 * 86_400
    for name in ("ids_crossed", "crossed"):
        records = of(fleet, name).sort_values("arrived")
        life = records["life_wakes"].to_numpy()
        assert (np.abs(np.diff(life)) > 20).sum() <= 1
        assert records["arrived"].max() > onset_s
    topics = {topic.split("/")[1] for _, topic, _ in fleet.messages()}
    assert topics >= {"ids_crossed", "crossed"}


def test_charge_drawn_is_floor_plus_wakes_plus_own_discharge(fleet: SimulatedFleet) -> None:
    """Bookkeeping by other sums: mean floor × hours + every wake's own charge + the cell's own discharge."""
    life = fleet.lives[0]
    stretch = life.stretches[0]
    parts, wakes = life.parts, stretch.wakes
    wake_mah = ((wakes.awake_ms - wakes.radio_ms) * parts.wake_ma + wakes.radio_ms * parts.radio_ma).sum() / 3.6e6
    floor_mah = parts.sleep_ua / 1000 * 24 * DAYS
    runs_mah = parts.coprocessor_mc * DAYS * 864_000 / 3600
    cell = stretch.begun.cell
    own_mah = 0.85 * cell.capacity_mah * cell.chemistry.self_discharge_per_year.mean * DAYS / 365.25
    spent_mah = stretch.ended.used_mah - stretch.begun.used_mah
    assert spent_mah == pytest.approx(wake_mah + floor_mah + runs_mah + own_mah, rel=0.02)


def test_a_node_that_only_has_its_timer_wakes_a_day_over_its_interval(fleet: SimulatedFleet) -> None:
    truth = fleet.truth.set_index("node")
    timer = (of(fleet, "ok")["cause"] == Cause.TIMER).sum()
    assert timer <= DAYS * 12 + 1
    assert truth.loc["ok", "wakes"] >= DAYS * 12


def test_seeded_faults_show_what_they_should(fleet: SimulatedFleet) -> None:
    def count(name: str, *causes: Cause) -> int:
        return int(of(fleet, name)["cause"].isin([int(cause) for cause in causes]).sum())

    truth = fleet.truth.set_index("node")
    assert count("edge_chatter", Cause.BAND_LOW) > 20 * max(1, count("ok", Cause.BAND_LOW))
    assert count("floating_pin", Cause.PIN) == pytest.approx(12 * 25, rel=0.25)
    assert count("crash_loop", Cause.CRASH, Cause.WATCHDOG) == pytest.approx(8 * 25, rel=0.25)
    assert truth.loc["sleep_leak", "floor_ua"] > truth.loc["ok", "floor_ua"] + 100
    assert after_onset(of(fleet, "radio_struggle"))["tries"].mean() > 2
    assert after_onset(of(fleet, "stuck_reading"))["reading"].nunique() <= 3
    assert after_onset(of(fleet, "clock_unset"))["clock_t"].isna().all()
    assert len(after_onset(of(fleet, "lost_link"))) == 0
    assert of(fleet, "swap_untold")["cause"].eq(Cause.POWER_ON).sum() == 1
    assert fleet.events["what"].tolist() == ["swap"]


def test_the_asleep_summary_encloses_its_mean_and_the_waking_reading(fleet: SimulatedFleet) -> None:
    records = of(fleet, "ok")
    assert (records["asleep_min"] <= records["asleep_mean"]).all()
    assert (records["asleep_max"] >= records["asleep_mean"]).all()
    high = records[records["cause"] == Cause.BAND_HIGH]
    assert (high["asleep_max"] >= high["reading"] - 1e-9).all()


def test_an_order_is_in_force_from_the_first_heard_wake_on() -> None:
    from msgspec.structs import replace

    slower = replace(factory_settings(), sleep_s=14_400.0, rev=1)
    order = SettingsChange(node="ok", at_s=SINCE_AT.timestamp() + 10 * 86_400, settings=slower)
    fleet = simulate_fleet(specs()[:1], since_at=SINCE_AT, days=20, seed=3, orders=[order])
    records = fleet.records.merge(fleet.settings[["set_id", "rev"]], on="set_id")
    begins = records.loc[records["rev"] == 1, "t"].min()
    assert order.at_s < begins < order.at_s + 2 * 14_400 + 7200
    assert (records.loc[records["rev"] == 1, "cause"] == Cause.TIMER).sum() == pytest.approx(10 * 6, abs=4)
    assert records["seq"].is_monotonic_increasing


def test_rerun_under_the_same_settings_gives_the_same_kind_of_life(fleet: SimulatedFleet) -> None:
    truth = fleet.truth.set_index("node")
    rerun = fleet.rerun("ok", factory_settings())
    assert rerun.wakes_per_day == pytest.approx(truth.loc["ok", "wakes"] / DAYS, rel=0.05)
    assert rerun.drain_mah_per_day == pytest.approx(truth.loc["ok", "drain_mah_per_day"], rel=0.05)


def test_rerun_with_hysteresis_quiets_chatter(fleet: SimulatedFleet) -> None:
    from msgspec.structs import replace

    noisy = fleet.rerun("edge_chatter", replace(factory_settings(), hyst=0.0), since_d=20.0)
    calm = fleet.rerun("edge_chatter", replace(factory_settings(), lo=0.66), since_d=20.0)
    assert calm.wakes_per_day < 0.5 * noisy.wakes_per_day
