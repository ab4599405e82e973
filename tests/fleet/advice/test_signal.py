"""Parts of the signal model: cycle at published speeds, ripple, wandering, replay against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from fleet.advice.crossings import hysteresis_wakes_per_poll_exact, polled_upcrossing
from fleet.advice.cycles import SPEED_DEG_PER_H, fit_cycle
from fleet.advice.firmware import Firmware
from fleet.advice.replay import Paths, gaps_between, run_band, timer_wakes
from fleet.advice.ripple import Ripple, edge_rates
from fleet.advice.spread import fit_spread, pair_variances
from fleet.messages import BandSettings

EDGE = Firmware(poll_s=1.0, level=False, holdoff_s=0.0, repeat_s=1.0, timer_restarts=True)


def test_constituents_are_found_at_their_published_speeds() -> None:
    """Speeds of the harmonic constituents as published by the tide services [degrees an hour]."""
    t = np.arange(0.0, 40 * 86_400.0, 900.0)
    hours = t / 3600.0
    value = 1.0 + 0.6 * np.cos(np.radians(28.9841042) * hours) + 0.2 * np.cos(np.radians(30.0) * hours - 1.0)
    value += 0.1 * np.cos(np.radians(13.9430356) * hours)
    cycle = fit_cycle(t, value, np.ones(len(t)))
    assert set(cycle.names) == {"M2", "S2", "O1"}
    assert [round(cycle.amplitude(name), 3) for name in ("M2", "S2", "O1")] == [0.6, 0.2, 0.1]
    assert SPEED_DEG_PER_H["K1"] + SPEED_DEG_PER_H["O1"] == pytest.approx(SPEED_DEG_PER_H["M2"], abs=1e-6)


def test_a_short_span_does_not_tell_m2_from_s2() -> None:
    """Rayleigh criterion: 14.77 days are needed."""
    t = np.arange(0.0, 7 * 86_400.0, 900.0)
    value = np.cos(np.radians(28.9841042) * t / 3600.0)
    assert len({"M2", "S2"} & set(fit_cycle(t, value, np.ones(len(t))).names)) == 1


def test_noise_alone_has_no_cycle() -> None:
    t = np.arange(0.0, 28 * 86_400.0, 1800.0)
    value = np.random.default_rng(5).standard_normal(len(t))
    assert fit_cycle(t, value, np.ones(len(t))).names == ()


@pytest.mark.parametrize("hyst", [0.0, 0.5, 1.5])
def test_ripple_of_waves_trips_as_often_as_the_exact_polled_law(hyst: float) -> None:
    """Reference: stationary law of an autoregression by quadrature; rho 0.9, edge 1.5 spreads out."""
    ripple = Ripple(wave_sd=1.0, wave_s=-1.0 / np.log(0.9), noise_sd=0.0, poll_s=1.0)
    trip, rearm = edge_rates(ripple, hyst).at(np.array([1.5]))
    exact = hysteresis_wakes_per_poll_exact(1.5 - hyst, 1.5, 0.9) if hyst else polled_upcrossing(1.5, 0.9)
    assert float(1.0 / (1.0 / trip + 1.0 / rearm)[0]) == pytest.approx(exact, rel=0.12)


def test_white_noise_cycles_by_one_over_p_plus_one_over_q() -> None:
    ripple = Ripple(wave_sd=0.0, wave_s=10.0, noise_sd=1.0, poll_s=1.0)
    trip, rearm = edge_rates(ripple, 1.0).at(np.array([1.0]))
    assert float(trip[0]) == pytest.approx(0.158655, rel=0.01)  # normal tail beyond 1, any table
    assert float(rearm[0]) == pytest.approx(0.5, rel=0.01)


def test_replay_of_a_smooth_path_counts_each_crossing_once() -> None:
    x = np.sin(np.linspace(0.0, 20.0 * np.pi, 20_000))[None, :]  # 10 highs, 10 lows
    paths = Paths(x, 0.0, 60.0, np.ones(x.shape[1], bool))
    ripple = Ripple(wave_sd=1e-6, wave_s=10.0, noise_sd=1e-6, poll_s=1.0)
    passed = run_band(paths, BandSettings(lo=-0.5, hi=0.5, hyst=0.1), ripple, EDGE)
    assert passed.high.wakes.sum() == pytest.approx(10.0, rel=0.01)
    assert passed.low.wakes.sum() == pytest.approx(10.0, rel=0.01)


def test_replay_follows_a_brute_force_run_with_noise() -> None:
    random = np.random.default_rng(3)
    t = np.arange(400_000) * 1.0
    slow = np.cos(2 * np.pi * t / 40_000.0)
    noisy = slow + 0.05 * random.standard_normal(len(t))
    armed, real = True, 0
    for value in noisy.tolist():
        if armed and value > 0.9:
            real, armed = real + 1, False
        elif not armed and value < 0.8:
            armed = True
    paths = Paths(slow[None, ::60], 0.0, 60.0, np.ones(len(slow[::60]), bool))
    ripple = Ripple(wave_sd=0.0, wave_s=10.0, noise_sd=0.05, poll_s=1.0)
    told = run_band(paths, BandSettings(hi=0.9, hyst=0.1), ripple, EDGE).high.wakes.sum()
    assert told == pytest.approx(real, rel=0.05)


def test_timer_wakes_fill_the_gaps_between_band_wakes() -> None:
    paths = Paths(np.zeros((1, 100)), 0.0, 10.0, np.ones(100, bool))
    total = np.zeros((1, 101))
    total[0, 50:] = 1.0  # one band wake half-way through 1000 s
    gaps = gaps_between(paths, total)
    assert [round(float(gap)) for gap in gaps[0]] == [495, 505]
    assert timer_wakes(gaps, 100.0, EDGE)[0] == pytest.approx(4 + 5.05, abs=0.01)


def test_correlation_time_is_found_again() -> None:
    random = np.random.default_rng(8)
    rho = np.exp(-600.0 / 7200.0)
    x = lfilter([np.sqrt(1 - rho**2)], [1.0, -rho], random.standard_normal(20_000))
    t = np.arange(len(x)) * 600.0
    found = fit_spread([pair_variances(t, x, has_ripple=True)], shortest_s=60.0, longest_s=2e6)
    assert found.tau_s == pytest.approx(7200.0, rel=0.4)
    assert found.sd == pytest.approx(1.0, rel=0.1)
