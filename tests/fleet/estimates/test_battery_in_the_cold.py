"""New packs, weak packs and packs in the cold: what is left, and when a week without a burst comes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import msgspec
import numpy as np
import pandas as pd

from fleet.estimates.drain_ahead import drain_ahead
from fleet.estimates.fleet import Estimates, estimate_fleet
from fleet.estimates.remaining_life import share_left
from fleet.frames import EVENT, SETTING, empty_frame
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Figure, Profile, Radio
from tests.fleet.estimates.test_battery import DAY0, S_PER_D, days_of, joined, nodes_of, profile, told


def estimates_of(days: pd.DataFrame, kind: Profile, *, as_of_d: float) -> Estimates:
    return estimate_fleet(
        days,
        nodes_of(kind.profile),
        {kind.profile: kind},
        empty_frame(EVENT),
        as_of_at=datetime.fromtimestamp((DAY0 + as_of_d) * S_PER_D, UTC),
        since_at=None,
        settings=empty_frame(SETTING),
        chemistries={kind.profile: load_chemistry(kind.profile)},
    )


def test_a_new_pack_is_full() -> None:
    """By hand: two days of 5 mAh out of about 850 mAh leave 0.988; the shelf's loss before is not missed."""
    node = estimates_of(days_of(0, told(2)), profile(), as_of_d=2).nodes.iloc[0]
    assert node.charge_left_lo <= 0.988 <= node.charge_left_hi
    assert node.charge_left_hi > 0.985


def test_share_left_of_a_part_used_pack_counts_what_was_used_before() -> None:
    """By hand: in at 0.4, no shelf loss beyond 0.03: 1 - (0.4 - 0.03) / (1 - 0.03) = 0.619."""
    np.testing.assert_allclose(share_left(np.array([0.4]), np.array([1.0]), np.array([0.4])), 0.619, atol=5e-4)


def test_a_swap_late_in_a_day_shows_the_day_after() -> None:
    """The cold start is on one day, the new voltage in the median of the next. A rise of 60 mV in 3.7 V is one."""
    before, after = told(40), told(4)
    late = replace(after, mv=after.mv - after.mv[:24].mean() + before.mv[-24:].mean() + 60.0)
    one = joined(replace(before, mv=before.mv[:-3], boot=before.boot[:-3], temp_c=before.temp_c[:-3]), late)
    assert len(estimates_of(days_of(0, one), profile(), as_of_d=43).swaps) == 1


def test_a_cold_site_is_judged_by_the_warmest_hour_of_its_weeks() -> None:
    """Days of 0 °C that reach 4 °C at noon: what a battery must survive is 4 °C, once a week at least."""
    day = np.ones(70)
    ahead = drain_ahead(
        day,
        day,
        0.0 * day,
        high_c=4.0 * day,
        battery_days=70,
        last_day=DAY0,
        latitude=float("nan"),
        alive=True,
    )
    assert ahead.week_high_c == 4.0
    assert abs(ahead.temp_c(0.0) - 4.0) < 0.5


def test_a_loaded_reading_low_from_the_cold_is_not_lost_charge() -> None:
    """A bobbin cell of 3.2 Ω at 0 °C sags by half a volt under 95 mA while it rests at its usual voltage."""
    cold = load_chemistry("li-socl2")
    hours = 60 * 24
    temp_c = np.linspace(15.0, 1.0, hours)
    rest_mv = cold.voltage_mv(np.linspace(0.0, 0.1, hours), temp_c)
    load_mv = rest_mv - 95.0 * 3.2 * cold.resistance_by_temp.at(temp_c)
    kind = profile("li-socl2", 2900.0)
    kind = replace_battery(kind, resistance_mohm=Figure(3200.0, 500.0), capacity_mah=Figure(2400.0, 110.0))
    one = replace(told(60), mv=rest_mv, temp_c=temp_c)
    days = days_of(0, one)
    loaded = days_of(0, replace(one, mv=load_mv), read="batt_tx_mv")
    for name in ("tx_count", "batt_tx_mv", "batt_tx_min_mv"):
        days[name] = loaded[name]
    node = estimates_of(days, kind, as_of_d=60).nodes.iloc[0]
    assert node.charge_left > 0.7
    assert node.days_left_p50 > 60


def replace_battery(kind: Profile, **changed: Figure) -> Profile:
    """The profile with other figures of its battery and a radio of 95 mA."""
    battery = msgspec.structs.replace(kind.battery, **changed)
    assert isinstance(battery, Battery)
    radio = Radio(current_ma=Figure(95.0, 6.0), length_ms=Figure(1900.0, 350.0))
    return msgspec.structs.replace(kind, battery=battery, radio=radio)
