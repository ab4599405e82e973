"""Charge by part: the trade sums, temperature by mean factor, spreads carried through, losses filled in."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import i0

from fleet.daily.grid import DayGrid, day_grid
from fleet.daily.rollup import roll_up
from fleet.estimates.charge_budget import PARTS, daily_charge_mah
from fleet.estimates.counts import wakes_by_cause, wakes_in_window
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Coprocessor, Figure, Profile, Radio, Sleep, Wake
from fleet.words import Cause

S_PER_D = 86_400
TRADE = Profile(
    profile="trade",
    sleep=Sleep(current_ua=Figure(5.0)),
    coprocessor=Coprocessor(run_ma=Figure(2.0), run_us=Figure(40.0), period_ms=100.0),
    wake=Wake(current_ma=Figure(80.0), length_ms=Figure(2500.0)),
    battery=Battery(chemistry="alkaline", capacity_mah=Figure(2400.0), cutoff_mv=2000, series=2),
)


def made_grid(n_days: int = 4, per_day: int = 12, keep: np.ndarray | None = None, **columns: np.ndarray) -> DayGrid:
    """A node that wakes evenly, from midnight of day 0 to midnight of day `n_days`."""
    n_rows = n_days * per_day + 1
    t = np.arange(n_rows) * S_PER_D / per_day
    table = {"node_id": np.zeros(n_rows, int), "t": t, "boot": np.ones(n_rows, int), "seq": np.arange(n_rows)}
    table |= {"cause": np.zeros(n_rows, int), **columns}
    kept = np.ones(n_rows, bool) if keep is None else keep
    return day_grid(roll_up({name: values[kept] for name, values in table.items()}), last_day=n_days - 1)


def mean_current_ua(grid: DayGrid, profile: Profile = TRADE) -> np.ndarray:
    charge = daily_charge_mah(grid, [profile])
    return charge.total_mah / 24 * 1000


def test_the_trade_sums() -> None:
    """Source: common practice, no source: 27.777778 + 5 + 0.8 = 33.577778 µA.

    The floor runs while asleep only, which takes 12 × 2.5 s a day from its 5 µA.
    """
    assert_allclose(mean_current_ua(made_grid())[0, 1], 33.577778 - 5.0 * 30 / S_PER_D, rtol=1e-8)


def test_the_coprocessor_alone_takes_0_8_ua() -> None:
    """Source: 2 mA × 40 µs every 100 ms (common practice, no source)."""
    assert_allclose(daily_charge_mah(made_grid(), [TRADE]).parts_mah["coprocessor"][0, 1] / 24 * 1000, 0.8, rtol=1e-9)


def test_a_period_in_force_goes_before_the_profile_and_counted_runs_before_both() -> None:
    slower = daily_charge_mah(made_grid(), [TRADE], period_ms=np.array([200.0]))
    assert_allclose(slower.parts_mah["coprocessor"][0, 1] / 24 * 1000, 0.4, rtol=1e-9)
    counted = daily_charge_mah(made_grid(runs=np.full(49, 80_000.0)), [TRADE])
    assert_allclose(counted.parts_mah["coprocessor"][0, 1] / 24 * 1000, 2000 * 40e-6 * 80_000 * 12 / S_PER_D, rtol=1e-9)


def test_radio_current_takes_the_place_of_the_wake_current() -> None:
    """By hand: 1500 of 2500 ms with the radio on at 100 mA, the other 1000 ms at 80 mA, twelve times a day."""
    profile = msgspec.structs.replace(TRADE, radio=Radio(current_ma=Figure(100.0), length_ms=Figure(999.0)))
    lengths = {"awake_ms": np.full(49, 2500.0), "radio_ms": np.full(49, 1500.0)}
    parts = daily_charge_mah(made_grid(**lengths), [profile]).parts_mah
    assert_allclose(parts["radio"][0, 1], 12 * 1.5 * 100 / 3600, rtol=1e-9)
    assert_allclose(parts["wake_timer"][0, 1], 12 * 1.0 * 80 / 3600, rtol=1e-9)


def test_radio_length_of_the_profile_stands_in() -> None:
    profile = msgspec.structs.replace(TRADE, radio=Radio(current_ma=Figure(100.0), length_ms=Figure(1000.0)))
    parts = daily_charge_mah(made_grid(), [profile]).parts_mah
    assert_allclose(parts["radio"][0, 1], 12 * 1.0 * 100 / 3600, rtol=1e-9)
    assert_allclose(parts["wake_timer"][0, 1], 12 * 2.5 * 80 / 3600, rtol=1e-9)


def test_lost_records_do_not_lower_the_charge() -> None:
    rng = np.random.default_rng(2)
    keep = rng.random(49) > 0.25
    keep[[0, -1]] = True
    whole, holed = mean_current_ua(made_grid()), mean_current_ua(made_grid(keep=keep))
    assert_allclose(holed.mean(), whole.mean(), rtol=1e-9)


def test_wakes_without_a_record_are_shared_out_by_cause_but_never_as_cold_starts() -> None:
    cause = np.array([Cause.POWER_ON] + [Cause.TIMER, Cause.BAND_LOW] * 24)
    keep = np.ones(49, bool)
    keep[20:24] = False
    grid = made_grid(keep=keep, cause=cause)
    counts = wakes_by_cause(grid).sum(axis=(0, 1))
    assert counts.sum() == pytest.approx(48)
    assert counts[Cause.POWER_ON] == 1
    assert counts[Cause.TIMER] == pytest.approx(24, abs=0.5)
    window = wakes_in_window(grid)
    assert (window["wakes"][0], window["wakes_seen"][0]) == (pytest.approx(48), 44)


def test_self_discharge_follows_the_mean_factor_not_the_factor_of_the_mean() -> None:
    """Source: textbook: a swing of ± 15 K about 20 °C at Q10 = 2 has a mean factor I0(1.5 ln 2) = 1.289072."""
    assert_allclose(i0(1.5 * np.log(2)), 1.289072, atol=1e-6)
    per_day = 96
    temp_c = 20 + 15 * np.sin(2 * np.pi * np.arange(4 * per_day + 1) / per_day)
    chemistry = [load_chemistry("alkaline")]
    swinging = daily_charge_mah(made_grid(4, per_day, temp_c=temp_c), [TRADE], chemistries=chemistry)
    steady = daily_charge_mah(made_grid(4, per_day, temp_c=np.full(385, 20.0)), [TRADE], chemistries=chemistry)
    ratio = swinging.self_discharge_per_d[0, 1] / steady.self_discharge_per_d[0, 1]
    assert_allclose(ratio, 1.289072, rtol=1e-4)
    assert_allclose(swinging.temp_c[0, 1], 20.0, atol=1e-9)


def test_a_sleep_current_with_a_q10_follows_the_mean_factor_too() -> None:
    warm = msgspec.structs.replace(TRADE, sleep=Sleep(current_ua=Figure(5.0), q10=Figure(2.0)))
    grid = made_grid(temp_c=np.full(49, 35.0))
    parts = daily_charge_mah(grid, [warm]).parts_mah["sleep"] / daily_charge_mah(grid, [TRADE]).parts_mah["sleep"]
    assert_allclose(parts[0, 1], 2**1.5, rtol=1e-9)  # textbook: 2.828427


def test_spreads_of_the_profile_are_carried_and_add_up_over_days() -> None:
    """By hand: 10 % of a sleep charge of 5 µA × 24 h, for four days alike."""
    unsure = msgspec.structs.replace(TRADE, sleep=Sleep(current_ua=Figure(5.0, 0.5)))
    charge = daily_charge_mah(made_grid(), [unsure])
    assert_allclose(charge.systematic_sd_mah()[0], 0.1 * charge.parts_mah["sleep"].sum(), rtol=1e-12)
    assert_allclose(charge.parts_mah["sleep"].sum(), 4 * 0.12, rtol=1e-3)


def test_a_node_without_a_profile_is_unknown_and_leaves_the_others() -> None:
    charge = daily_charge_mah(made_grid(), [None])
    assert np.isnan(charge.total_mah).all()
    assert all(np.isnan(charge.parts_mah[part]).all() for part in PARTS)


def test_a_silent_tail_is_taken_to_be_like_the_usual_days() -> None:
    grid = made_grid()
    longer = day_grid(grid.columns, first_day=0, last_day=7)
    charge = daily_charge_mah(longer, [TRADE])
    assert charge.total_mah[0, 6] == 0
    assert_allclose(charge.full_day_mah[0, 6], charge.full_day_mah[0, 2], rtol=1e-6)
    assert (charge.assumed[0, 2], charge.assumed[0, 6]) == (0, 1)
