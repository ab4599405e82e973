"""Batteries from day rows: swaps, charging in the field, silence, nothing to read, one bad node among others."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from fleet.daily.rollup import roll_up
from fleet.estimates.fleet import Estimates, estimate_fleet
from fleet.frames import CHARGE, DEAD_BY_D, ESTIMATE, EVENT, NODE, OUTLOOK, SETTING, empty_frame
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Figure, Measure, Profile, Sleep, Wake

S_PER_D = 86_400.0
DAY0 = 20_000
DRAIN_MAH = 5.0  # a day, of the node below by its profile: 40 µA and 24 wakes of 120 mA for 5.05 s
CAPACITY_MAH = 1000.0


@dataclass(frozen=True)
class Told:
    """What a made node tells each hour: its voltage, and when it started cold."""

    mv: np.ndarray
    boot: np.ndarray
    temp_c: np.ndarray


def profile(chemistry: str = "li-ion", cutoff_mv: float = 3200.0) -> Profile:
    return Profile(
        profile=chemistry,
        sleep=Sleep(current_ua=Figure(40.0)),
        wake=Wake(current_ma=Figure(120.0), length_ms=Figure(5050.0)),
        battery=Battery(chemistry=chemistry, capacity_mah=Figure(CAPACITY_MAH), cutoff_mv=cutoff_mv),
        measure=Measure(gain_sd=0.01, step_mv=4.0),
    )


def told(n_days: int, chemistry: str = "li-ion", *, start_dod: float = 0.0, drain: float = 1.0) -> Told:
    """Hourly rest voltages of a cell of 85 % of the printed capacity on the chemistry's mean curve, seeded noise."""
    hour = np.arange(n_days * 24)
    dod = start_dod + drain * DRAIN_MAH * hour / 24 / (0.85 * CAPACITY_MAH)
    mv = load_chemistry(chemistry).voltage_mv(np.clip(dod, 0.0, 1.0))
    noise = np.random.default_rng(5).normal(0.0, 4.0, len(hour))
    return Told(mv + noise, np.ones(len(hour), int), np.full(len(hour), 20.0))


def joined(*parts: Told) -> Told:
    """One pack after another, each with a cold start."""
    boot = np.concatenate([np.full(len(part.mv), number + 1) for number, part in enumerate(parts)])
    return Told(np.concatenate([p.mv for p in parts]), boot, np.concatenate([p.temp_c for p in parts]))


def days_of(node_id: int, one: Told, *, read: str = "batt_mv") -> pd.DataFrame:
    count = len(one.mv)
    t = DAY0 * S_PER_D + np.arange(count) * 3600.0 + 60.0
    new = np.diff(one.boot, prepend=0) > 0
    cause = np.where(new, 6, 0)
    columns = {"node_id": np.full(count, node_id), "t": t, "arrived": t, "boot": one.boot, "seq": np.arange(count)}
    return pd.DataFrame(roll_up({**columns, "cause": cause, read: one.mv, "temp_c": one.temp_c}))


def nodes_of(*kinds: str) -> pd.DataFrame:
    count = len(kinds)
    nodes = pd.DataFrame({name: [np.nan] * count for name in NODE})
    names = [f"n{number}" for number in range(count)]
    nodes = nodes.assign(node_id=np.arange(count), node=names, site="", profile=list(kinds), chemistry="")
    return nodes.assign(fitted=DAY0 * S_PER_D)


def estimates(
    days: pd.DataFrame, nodes: pd.DataFrame, *, as_of_d: float, events: pd.DataFrame | None = None
) -> Estimates:
    kinds = ("li-ion", "alkaline", "lifepo4", "li-mno2", "li-socl2", "li-fes2", "nimh")
    return estimate_fleet(
        days,
        nodes,
        {"li-ion": profile(), "alkaline": profile("alkaline", 900.0)},
        empty_frame(EVENT) if events is None else events,
        as_of_at=datetime.fromtimestamp((DAY0 + as_of_d) * S_PER_D, UTC),
        since_at=None,
        settings=empty_frame(SETTING),
        chemistries={kind: load_chemistry(kind) for kind in kinds},
    )


def test_frames_have_the_walls_columns() -> None:
    made = estimates(days_of(0, told(20)), nodes_of("li-ion"), as_of_d=20)
    assert [list(made.nodes), list(made.charge), list(made.outlook)] == [list(ESTIMATE), list(CHARGE), list(OUTLOOK)]


def test_half_a_discharge_is_seen_as_such() -> None:
    """By hand: 85 days of 5 mAh from 850 mAh leave half."""
    node = estimates(days_of(0, told(85)), nodes_of("li-ion"), as_of_d=85).nodes.iloc[0]
    assert node.charge_left_lo <= 0.5 <= node.charge_left_hi
    assert node.days_left_p10 <= 85 <= node.days_left_p90


def test_charge_left_never_rises_between_swaps() -> None:
    charge = estimates(days_of(0, told(60)), nodes_of("li-ion"), as_of_d=60).charge
    assert (np.diff(charge["charge_left"]) <= 1e-12).all()


def test_same_input_same_output() -> None:
    once, again = (estimates(days_of(0, told(30)), nodes_of("li-ion"), as_of_d=30).nodes for _ in range(2))
    pd.testing.assert_frame_equal(once, again)


@pytest.mark.parametrize("after_d", [1, 3])
def test_a_new_pack_is_found_within_three_days(after_d: int) -> None:
    one = joined(told(100), told(after_d))
    swaps = estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=100 + after_d).swaps
    assert len(swaps) == 1 and not swaps["told"].iloc[0]
    assert abs(swaps["at"].iloc[0] / S_PER_D - DAY0 - 100) < 1.0


def test_a_part_used_pack_is_found() -> None:
    one = joined(told(140), told(3, start_dod=0.45))
    assert len(estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=143).swaps) == 1


def test_other_cells_of_lower_voltage_are_found_by_their_cold_start() -> None:
    one = joined(told(30), replace(told(3), mv=told(3, "lifepo4").mv))
    assert len(estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=33).swaps) == 1


def test_a_told_swap_is_not_found_a_second_time() -> None:
    events = pd.DataFrame({"node_id": [0], "at": [(DAY0 + 100.0) * S_PER_D], "what": ["swap"], "note": [""]})
    made = estimates(days_of(0, joined(told(100), told(10))), nodes_of("li-ion"), as_of_d=110, events=events)
    assert made.swaps["told"].tolist() == [True]


def test_a_cold_start_alone_is_no_swap() -> None:
    one = told(60)
    one = replace(one, boot=np.where(np.arange(len(one.mv)) < 700, 1, 2))
    assert estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=60).swaps.empty


def test_a_cold_week_is_no_swap_and_no_new_charge() -> None:
    """30 K down and up again moves a resting Li-ion cell by some millivolts only; by the table ± 0.1 mV/K."""
    one = told(60)
    cold = (np.arange(len(one.mv)) // 24 // 7) % 2 == 1
    one = replace(one, temp_c=np.where(cold, -10.0, 20.0), mv=one.mv - np.where(cold, 12.0, 0.0))
    made = estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=60)
    assert made.swaps.empty and not made.nodes["recharged"].iloc[0]


def solar(n_days: int) -> Told:
    """Falls by 150 mV over four grey days, is full again after two bright ones."""
    day = np.arange(n_days * 24) / 24.0
    phase = day % 6.0
    mv = 4100.0 - np.where(phase < 4.0, phase / 4.0, (6.0 - phase) / 2.0) * 150.0
    return Told(mv, np.ones(len(mv), int), np.full(len(mv), 20.0))


def test_a_solar_node_gets_days_without_sun_and_no_date_of_death() -> None:
    node = estimates(days_of(0, solar(60)), nodes_of("li-ion"), as_of_d=60).nodes.iloc[0]
    assert node.recharged
    assert all(np.isnan(node[f"dead_by_{horizon}"]) and f"dead_by_{horizon}" in node.why_null for horizon in DEAD_BY_D)
    assert node.days_left_p50 > 30


def test_a_pack_that_never_falls_although_drained_is_recharged() -> None:
    one = told(100)
    one = replace(one, mv=np.full(len(one.mv), 4150.0) + np.random.default_rng(1).normal(0, 3, len(one.mv)))
    assert estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=100).nodes["recharged"].iloc[0]


def test_primary_cells_are_never_recharged() -> None:
    one = replace(solar(60), mv=solar(60).mv / 4100.0 * 1500.0)
    assert not estimates(days_of(0, one), nodes_of("alkaline"), as_of_d=60).nodes["recharged"].iloc[0]


def test_silence_is_not_death() -> None:
    node = estimates(days_of(0, told(30)), nodes_of("li-ion"), as_of_d=60).nodes.iloc[0]
    assert node.days_left_p50 > 20
    assert node.dead_by_7 < 0.2


def test_a_node_without_readings_is_counted_only() -> None:
    one = replace(told(40), mv=np.full(960, np.nan))
    node = estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=40).nodes.iloc[0]
    assert node.days_left_p10 < 130 < node.days_left_p90
    assert np.isnan(node.floor_ua) and "no battery readings" in node.why_null["floor_ua"]


def test_counting_only_is_wider_than_counting_with_voltage() -> None:
    one = told(100)
    blind = estimates(days_of(0, replace(one, mv=one.mv * np.nan)), nodes_of("li-ion"), as_of_d=100).nodes.iloc[0]
    seen = estimates(days_of(0, one), nodes_of("li-ion"), as_of_d=100).nodes.iloc[0]
    assert seen.charge_left_hi - seen.charge_left_lo < blind.charge_left_hi - blind.charge_left_lo


def test_an_unknown_profile_is_said_and_leaves_the_others() -> None:
    days = pd.concat([days_of(0, told(20)), days_of(1, told(20))], ignore_index=True)
    made = estimates(days, nodes_of("nobody-knows", "li-ion"), as_of_d=20).nodes
    assert np.isnan(made["days_left_p50"].iloc[0]) and "profile" in made["why_null"].iloc[0]["days_left_p50"]
    assert made["days_left_p50"].iloc[1] > 0


def test_every_missing_column_has_its_reason() -> None:
    made = estimates(days_of(1, told(20)), nodes_of("li-ion", "li-ion", "x"), as_of_d=20).nodes
    for _, node in made.iterrows():
        missing = {name for name in ESTIMATE if name != "why_null" and pd.isna(node[name])}
        assert missing == set(node.why_null) and all(node.why_null.values())


def test_no_days_at_all() -> None:
    made = estimates(days_of(0, told(2)).iloc[:0], nodes_of("li-ion"), as_of_d=2)
    assert made.nodes["days_left_p50"].isna().all() and made.charge.empty


def test_one_single_day() -> None:
    node = estimates(days_of(0, told(1)), nodes_of("li-ion"), as_of_d=1).nodes.iloc[0]
    assert node.days_left_p10 < 170 < node.days_left_p90


def test_rows_after_the_moment_are_not_used() -> None:
    early = estimates(days_of(0, told(20)), nodes_of("li-ion"), as_of_d=20).nodes
    late = estimates(days_of(0, told(40)), nodes_of("li-ion"), as_of_d=20).nodes
    pd.testing.assert_frame_equal(early, late)


def test_a_node_that_talks_is_not_called_dead() -> None:
    """Voltage at the very end of the curve, yet a record came today."""
    one = told(60)
    node = estimates(days_of(0, replace(one, mv=one.mv * 0 + 3150.0)), nodes_of("li-ion"), as_of_d=60).nodes.iloc[0]
    assert 0 < node.days_left_p10 < node.days_left_p50 < 30


def test_odds_of_death_rise_with_the_horizon() -> None:
    node = estimates(days_of(0, told(150)), nodes_of("li-ion"), as_of_d=150).nodes.iloc[0]
    odds = [node[f"dead_by_{horizon}"] for horizon in DEAD_BY_D]
    assert odds == sorted(odds) and odds[-1] > 0.9
