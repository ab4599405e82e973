"""Duty cycle: ratio of sums, windows with partial ends, silence, clock faults, nodes that tell no lengths."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from fleet.daily.grid import day_grid
from fleet.daily.rollup import roll_up
from fleet.estimates.awake_time import awake_time
from fleet.estimates.counts import wakes_by_cause
from fleet.estimates.duty_cycle import DutyCycle, duty_cycle, ratio_of_sums
from fleet.estimates.profile_table import profile_table
from fleet.profiles.profile import Battery, Figure, Profile, Sleep, Wake

PROFILE = Profile(
    profile="p",
    sleep=Sleep(current_ua=Figure(9.0)),
    wake=Wake(current_ma=Figure(40.0), length_ms=Figure(2000.0, 200.0)),
    battery=Battery(chemistry="alkaline", capacity_mah=Figure(2500.0), cutoff_mv=2000, series=2),
)
D = 86_400.0


def duty(t: np.ndarray, *, since_s: float = 0.0, as_of_s: float, **columns: np.ndarray) -> DutyCycle:
    n_rows = len(t)
    table = {"node_id": np.zeros(n_rows, int), "t": t, "boot": np.ones(n_rows, int), "seq": np.arange(n_rows)}
    table |= {"cause": np.zeros(n_rows, int), "awake_ms": np.full(n_rows, 3000.0), **columns}
    grid = day_grid(roll_up(table), first_day=int(since_s // D))
    profiles = profile_table([PROFILE])
    awake = awake_time(grid, profiles, wakes_by_cause(grid))
    return duty_cycle(grid, awake, profiles, since_s=since_s, as_of_s=as_of_s)


def test_ratio_of_sums_and_its_error() -> None:
    """Source: survey-sampling textbook result (ratio estimator), from memory: linearised standard error .0050559."""
    ratio, error = ratio_of_sums(np.array([3.0, 5, 4, 8]), np.array([100.0, 120, 90, 150]))
    assert_allclose([ratio, error], [0.0434783, 0.0050559], atol=5e-8)


def test_ratio_of_sums_is_not_the_mean_of_ratios() -> None:
    assert ratio_of_sums(np.array([10.0, 1.0]), np.array([100.0, 1000.0]))[0] == pytest.approx(0.01)


def test_an_even_node_has_the_duty_of_one_interval() -> None:
    """By hand: 3 s every 600 s are 0.005."""
    found = duty(np.arange(0, 10 * D, 600.0), as_of_s=10 * D)
    assert_allclose(found.duty_frac, 0.005, rtol=1e-3)
    assert found.lo[0] <= found.duty_frac[0] <= found.hi[0]


def test_a_window_that_begins_and_ends_inside_a_day() -> None:
    found = duty(np.arange(0, 10 * D, 600.0), since_s=3.4 * D, as_of_s=10 * D)
    assert_allclose(found.duty_frac, 0.005, rtol=2e-3)
    assert_allclose(found.elapsed_s, 6.6 * D, rtol=1e-3)


def test_a_node_first_heard_inside_the_window_is_not_taken_for_idle_before() -> None:
    found = duty(np.arange(4.3 * D, 10 * D, 600.0), as_of_s=10 * D)
    assert_allclose(found.duty_frac, 0.005, rtol=2e-3)


def test_a_silent_node_is_not_taken_for_asleep() -> None:
    found = duty(np.arange(0, 6 * D, 600.0), as_of_s=30 * D)
    assert_allclose(found.duty_frac, 0.005, rtol=2e-3)
    assert_allclose(found.elapsed_s, 6 * D, rtol=1e-3)


def test_a_clock_fault_moves_wakes_between_days_not_out_of_the_window() -> None:
    """The clock stood still for a day, so its records carry the time before; counters still count them."""
    t = np.arange(0, 10 * D, 600.0)
    t[400:540] = t[400]
    assert_allclose(duty(t, as_of_s=10 * D).duty_frac, 0.005, rtol=2e-3)


def test_lengths_of_the_profile_stand_in_with_their_spread() -> None:
    found = duty(np.arange(0, 10 * D, 600.0), as_of_s=10 * D, awake_ms=np.full(1440, np.nan))
    assert_allclose(found.duty_frac, 2.0 / 600, rtol=1e-3)
    assert_allclose(np.log(found.hi / found.duty_frac), 2.13 * 0.1, rtol=0.05)  # Student t with 4 degrees: 2.132


def test_a_node_never_heard_has_no_duty() -> None:
    grid = day_grid(roll_up({name: np.array([0]) for name in ("node_id", "t", "boot", "seq", "cause")}), [7])
    profiles = profile_table([PROFILE])
    found = duty_cycle(grid, awake_time(grid, profiles, wakes_by_cause(grid)), profiles, since_s=0.0, as_of_s=D)
    assert np.isnan(found.duty_frac[0])
