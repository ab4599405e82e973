"""Each rule on day rows made by hand: it fires on its fault, is silent in health, and says NA where nothing is told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.flags.clock_wrong import clock_wrong
from fleet.flags.drains_fast import drains_fast
from fleet.flags.edge_chatter import edge_chatter
from fleet.flags.fleet import RULES, flag_fleet
from fleet.flags.gone_quiet import gone_quiet
from fleet.flags.records_missing import records_missing
from fleet.flags.sleep_leak import sleep_leak
from fleet.flags.stuck_reading import stuck_reading
from fleet.flags.wakes_often import wakes_often
from fleet.flags.weak_cell import weak_cell
from fleet.frames import DAY, EVENT, FLAG, NODE, SETTING, empty_frame
from tests.fleet.flags.made_fleet import (
    FIRST_DAY,
    NODES,
    S_PER_D,
    as_of,
    known_estimates,
    made_flags,
    made_view,
    node_list,
    since_day,
)  # fmt: skip


def found(flags: pd.DataFrame, node: int = 5) -> dict[str, float]:
    """Day of onset of each top flag of a node."""
    own = flags[(flags["node_id"] == node) & (flags["under"] == "")]
    since_d = own["since"].to_numpy(float) / S_PER_D - FIRST_DAY
    return dict(zip(own["flag"].tolist(), since_d.tolist(), strict=True))


def test_a_healthy_fleet_has_no_flags() -> None:
    assert len(made_flags()) == 0


def test_an_empty_fleet_has_no_flags() -> None:
    empty = empty_frame(DAY)
    nodes = empty_frame(NODE)
    flags = flag_fleet(
        empty, known_estimates(empty, nodes), nodes, {}, empty_frame(EVENT), settings=empty_frame(SETTING),
        orders=pd.DataFrame(), as_of_at=as_of(), expected_false_per_week=1.0,
    )  # fmt: skip
    assert list(flags.columns) == list(FLAG) and len(flags) == 0


def test_twelve_more_wakes_a_day_are_seen_within_five_days() -> None:
    def more(frame: pd.DataFrame) -> None:
        frame.loc[since_day(frame, 5, 55), ["seen", "n_pin"]] += 12

    flags = found(made_flags(more))
    assert set(flags) == {"wakes_often"} and abs(flags["wakes_often"] - 55) <= 2


def test_a_storm_that_all_of_the_site_see_is_no_fault() -> None:
    def storm(frame: pd.DataFrame) -> None:
        frame.loc[frame["day"] >= FIRST_DAY + 57, ["seen", "n_band_high"]] += 25

    assert len(made_flags(storm)) == 0


def test_wakes_at_the_edge_close_together_are_chatter_at_the_top() -> None:
    def chatter(frame: pd.DataFrame) -> None:
        rows = since_day(frame, 5, 53)
        frame.loc[rows, ["seen", "n_band_high"]] += 20
        frame.loc[rows, ["band_close", "edge_near"]] = 16.0

    flags = found(made_flags(chatter))
    assert set(flags) == {"edge_chatter"} and abs(flags["edge_chatter"] - 53) <= 1


def test_close_wakes_that_chance_explains_are_no_chatter() -> None:
    """A wake every five minutes: 1 - exp(-2) = 86 % follow another within ten minutes by chance."""

    def busy(frame: pd.DataFrame) -> None:
        rows = frame["node_id"] == 5
        frame.loc[rows, ["seen", "n_timer"]] += 264
        frame.loc[rows, "n_band_high"] = 6.0
        frame.loc[rows, "band_close"] = 5.0

    assert not edge_chatter(made_view(busy)).state.fillna(False)[4]


def test_crashes_twice_a_day_are_a_loop() -> None:
    def crash(frame: pd.DataFrame) -> None:
        frame.loc[since_day(frame, 5, 54), ["seen", "n_crash"]] += 2

    flags = found(made_flags(crash))
    assert "crash_loop" in flags and abs(flags["crash_loop"] - 54) <= 1


def test_one_watchdog_reset_is_no_loop() -> None:
    def once(frame: pd.DataFrame) -> None:
        frame.loc[(frame["node_id"] == 5) & (frame["day"] == FIRST_DAY + 58), "n_watchdog"] += 1

    assert len(made_flags(once)) == 0


def test_brown_outs_are_seen() -> None:
    def brown(frame: pd.DataFrame) -> None:
        frame.loc[since_day(frame, 5, 55), "n_brownout"] = 1.0

    assert abs(found(made_flags(brown))["brownouts"] - 55) <= 1


def test_a_stuck_reading_is_dated() -> None:
    def stuck(frame: pd.DataFrame) -> None:
        rows = since_day(frame, 5, 52)
        frame.loc[rows, ["reading_min", "reading_max", "reading_mean"]] = 4.2

    flags = found(made_flags(stuck))
    assert set(flags) == {"stuck_reading"} and abs(flags["stuck_reading"] - 52) <= 1


def test_water_that_is_calm_for_all_is_not_stuck() -> None:
    def calm(frame: pd.DataFrame) -> None:
        frame.loc[frame["day"] >= FIRST_DAY + 52, ["reading_min", "reading_max", "reading_mean"]] = 4.2

    assert not stuck_reading(made_view(calm)).state.fillna(False).any()


@pytest.mark.parametrize(
    ("kind", "says"),
    [("unset", "without a set clock"), ("zone", "+1.0 h off"), ("drift", "drifts by"), ("jump", "after a jump")],
)
def test_each_kind_of_wrong_clock(kind: str, says: str) -> None:
    def wrong(frame: pd.DataFrame) -> None:
        rows = since_day(frame, 5, 48)
        if kind == "unset":
            frame.loc[rows, "clock_unset"], frame.loc[rows, "clock_count"] = 24.0, 0.0
        elif kind == "zone":
            frame.loc[rows, "skew_min_s"] -= 3600.0
        elif kind == "drift":
            frame.loc[rows, "skew_min_s"] += 100e-6 * S_PER_D * (frame.loc[rows, "day"] - FIRST_DAY - 48)
        else:
            frame.loc[rows, "skew_min_s"] += 86_400.0 * 3 + 700

    flags = made_flags(wrong)
    assert list(flags["flag"]) == ["clock_wrong"]
    assert says in flags["evidence"].iloc[0]
    assert abs(flags["since"].iloc[0] / S_PER_D - FIRST_DAY - 48) <= 1


def test_a_node_silent_for_two_days_is_quiet_since_its_last_word() -> None:
    def quiet(frame: pd.DataFrame) -> None:
        frame.drop(frame.index[since_day(frame, 5, 58)], inplace=True)

    assert abs(found(made_flags(quiet))["gone_quiet"] - 58) <= 0.01


def test_a_site_that_falls_silent_together_is_a_gateway() -> None:
    def down(frame: pd.DataFrame) -> None:
        frame.drop(frame.index[frame["day"] >= FIRST_DAY + 58], inplace=True)

    assert len(made_flags(down)) == 0

    def long_down(frame: pd.DataFrame) -> None:
        frame.drop(frame.index[frame["day"] >= FIRST_DAY + 55], inplace=True)

    verdict = gone_quiet(made_view(long_down))
    assert verdict.state.all() and verdict.strength.max() < 0.5
    assert "look at the" in verdict.evidence[0]


def test_a_node_that_always_lost_a_quarter_is_used_to_it_but_not_a_rise() -> None:
    def always(frame: pd.DataFrame) -> None:
        frame.loc[frame["node_id"] == 5, "missing"] = 8.0

    def rise(frame: pd.DataFrame) -> None:
        frame.loc[since_day(frame, 5, 53), "missing"] = 12.0

    assert not records_missing(made_view(always)).state.fillna(False).any()
    assert abs(found(made_flags(rise))["records_missing"] - 53) <= 2


def test_a_radio_that_tries_three_times_is_dated() -> None:
    def struggle(frame: pd.DataFrame) -> None:
        rows = since_day(frame, 5, 54)
        frame.loc[rows, "radio_ms_timer"] *= 3
        frame.loc[rows, "failed_tries"] = 50.0

    assert abs(found(made_flags(struggle))["radio_struggle"] - 54) <= 1


def test_a_voltage_that_bends_is_a_leak_from_that_day() -> None:
    """1.2 mV a day for the 1.4 mAh counted; three times that is 2.8 mAh a day more, about 115 µA."""

    def leak(frame: pd.DataFrame) -> None:
        rows = since_day(frame, 5, 40)
        frame.loc[rows, "batt_mv"] -= 2.4 * (frame.loc[rows, "day"] - FIRST_DAY - 40)

    flags = found(made_flags(leak))
    assert set(flags) == {"sleep_leak"} and abs(flags["sleep_leak"] - 40) <= 3
    assert float(made_view(leak).slopes.extra_mah_per_d[4]) == pytest.approx(2.8, rel=0.4)


def test_a_voltage_that_falls_twice_as_fast_from_the_start_is_a_weak_cell() -> None:
    def weak(frame: pd.DataFrame) -> None:
        frame["batt_mv"] -= 1.2 * (frame["day"] - FIRST_DAY)
        rows = frame["node_id"] == 5
        frame.loc[rows, "batt_mv"] -= 2.4 * (frame.loc[rows, "day"] - FIRST_DAY)
        frame[["awake_ms_timer", "radio_ms_timer"]] *= 3.0

    assert set(found(made_flags(weak, days=90))) == {"weak_cell"}


def test_a_node_that_tells_no_voltage_is_not_judged() -> None:
    def mute(frame: pd.DataFrame) -> None:
        frame[["batt_mv", "batt_tx_mv", "batt_tx_min_mv"]] = np.nan

    view = made_view(mute)
    assert all(rule(view).state.isna().all() for rule in (sleep_leak, weak_cell, drains_fast))


def test_a_node_never_heard_is_not_judged() -> None:
    def gone(frame: pd.DataFrame) -> None:
        frame.drop(frame.index[frame["node_id"] == 5], inplace=True)

    view = made_view(gone)
    for rule in (wakes_often, edge_chatter, stuck_reading, clock_wrong, records_missing, gone_quiet):
        assert rule(view).state.isna()[4], rule.__name__


def test_two_nodes_that_change_places_are_named() -> None:
    def cross(frame: pd.DataFrame) -> None:
        columns = ["first_boot", "first_seq", "last_boot", "last_seq"]
        here, there = since_day(frame, 5, 50), since_day(frame, 6, 50)
        left, right = frame.loc[here, columns].to_numpy(), frame.loc[there, columns].to_numpy()
        frame.loc[here, columns], frame.loc[there, columns] = right, left

    flags = made_flags(cross)
    assert set(flags.loc[flags["flag"] == "ids_crossed", "node_id"]) == {5, 6}


def test_every_rule_answers_for_every_node_and_says_why() -> None:
    view = made_view()
    for rule in RULES:
        verdict = rule(view)
        assert len(verdict.state) == NODES == len(verdict.evidence), rule.__name__


def test_a_single_day_of_records_is_no_error() -> None:
    assert len(made_flags(days=1)) == 0


def test_nodes_of_unknown_kind_are_grouped_by_what_they_do() -> None:
    view = made_view()
    nodes = node_list().assign(profile="not told")
    from dataclasses import replace

    lone = replace(view, nodes=nodes.set_index("node_id"))
    assert len(np.unique(lone.peer_codes)) == 1
