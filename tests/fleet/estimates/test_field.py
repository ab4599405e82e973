"""What the field says about the profile: a leak is sized, no leak is not made up, like nodes lean on each other."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from fleet.daily.rollup import roll_up
from fleet.estimates.field import pooling_weights
from fleet.estimates.fleet import estimate_fleet
from fleet.frames import EVENT, NODE, SETTING, empty_frame
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Figure, Measure, Profile, Sleep, Wake

S_PER_D = 86_400.0
DAY0 = 20_000
FLOOR_UA, LEAK_UA = 10.0, 60.0
WAKE_MAH = 80.0 * 0.3 / 3600.0
PROFILE = Profile(
    profile="leaky",
    sleep=Sleep(current_ua=Figure(FLOOR_UA)),
    wake=Wake(current_ma=Figure(80.0), length_ms=Figure(300.0)),
    battery=Battery(chemistry="li-ion", capacity_mah=Figure(300.0), cutoff_mv=3200),
    measure=Measure(gain_sd=0.01, step_mv=4),
)


def node_with_leak(curve: str, *, leak_from_d: int, n_days: int, leak_ua: float) -> pd.Series:
    """Estimates of a made node: hourly wakes, a small cell of 90 % of its printed capacity on one published curve."""
    chemistry = load_chemistry("li-ion")
    hour = np.arange(n_days * 24)
    leak_mah = np.where(hour >= leak_from_d * 24, leak_ua / 1000.0, 0.0)
    dod = np.cumsum(FLOOR_UA / 1000.0 + leak_mah + WAKE_MAH) / (0.9 * 300.0)
    own = next(one for one in chemistry.curves if one.name == curve)
    mv = own.at(dod) + np.random.default_rng(3).normal(0.0, 4.0, len(hour))
    t = DAY0 * S_PER_D + hour * 3600.0 + 30.0
    ones = np.ones(len(hour), int)
    columns = {"node_id": ones, "t": t, "arrived": t, "boot": ones, "seq": hour, "cause": ones * 0, "batt_mv": mv}
    nodes = pd.DataFrame({name: [np.nan] for name in NODE})
    nodes = nodes.assign(node_id=1, node="n", site="", profile="leaky", chemistry="", fitted=DAY0 * S_PER_D)
    made = estimate_fleet(
        pd.DataFrame(roll_up(columns | {"temp_c": ones * 20.0})),
        nodes,
        {"leaky": PROFILE},
        empty_frame(EVENT),
        as_of_at=datetime.fromtimestamp((DAY0 + n_days) * S_PER_D, UTC),
        since_at=None,
        settings=empty_frame(SETTING),
        chemistries={"li-ion": chemistry},
    )
    return made.nodes.iloc[0]


@pytest.mark.parametrize("curve", ["Chen2020", "Ramadass2004", "NCA_Kim2011"])
def test_a_leak_is_sized_within_a_quarter_three_weeks_after_it_began(curve: str) -> None:
    """+60 µA on 10 µA, in a cell small enough for three weeks of it to be 10 % of its charge."""
    node = node_with_leak(curve, leak_from_d=90, n_days=111, leak_ua=LEAK_UA)
    assert node.floor_ua == pytest.approx(FLOOR_UA + LEAK_UA, rel=0.25)


@pytest.mark.parametrize("curve", ["Chen2020", "Ramadass2004", "NCA_Kim2011"])
def test_no_leak_is_made_up(curve: str) -> None:
    node = node_with_leak(curve, leak_from_d=90, n_days=111, leak_ua=0.0)
    assert node.floor_ua < 2.0 * FLOOR_UA
    assert node.floor_ua_lo < FLOOR_UA < node.floor_ua_hi


def test_a_node_that_knows_leans_less_on_its_like_than_one_that_does_not() -> None:
    rng = np.random.default_rng(4)
    sure, unsure = rng.normal(0.0, 0.03, (1, 3000)), rng.normal(0.0, 0.28, (1, 3000))
    peers = rng.normal(0.4, 0.05, (12, 3000))
    draws = np.concatenate([sure, unsure, peers])
    weights = pooling_weights(draws, np.zeros(14), np.full(14, 0.3), np.zeros(14, dtype=np.int64))
    moved = (weights * draws).sum(axis=1)
    assert moved[0] < 0.1 < moved[1] < 0.45


def test_nodes_of_other_kinds_are_not_heard() -> None:
    draws = np.random.default_rng(4).normal(0.0, 0.1, (6, 500))
    weights = pooling_weights(draws, np.zeros(6), np.full(6, 0.3), np.arange(6))
    assert weights == pytest.approx(1.0 / 500)
