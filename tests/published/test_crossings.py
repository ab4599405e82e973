"""Crossing rates, tails, censored fits and intervals against published and independently derived values."""

from __future__ import annotations

from math import acos, exp, pi

import numpy as np
import pytest
from lifelines import LogNormalFitter
from numpy.testing import assert_allclose
from scipy.stats import genpareto, norm

from fleet.advice import crossings, interval, tails
from fleet.advice.censored import effective_count, fit_censored_normal


def test_rice_rate_and_its_polled_form() -> None:
    """Source: Rice 1944; correlation length 10 s, level 1.5 sd. Polled form by Owen 1956."""
    assert_allclose(crossings.upcrossings_per_s(1.5, 10.0), 0.005167004, atol=1e-9)
    assert_allclose(crossings.polled_upcrossing(1.5, exp(-1 / 200.0)), 0.005157867, atol=1e-9)
    assert_allclose(crossings.polled_upcrossing(1.5, exp(-0.01 / 200.0)) / 0.1, 0.005166913, atol=1e-9)


def test_polled_autoregression_by_owens_t() -> None:
    """Source: Owen, Ann. Math. Statist. 27 (1956); at the mean arccos(rho) / 2 pi."""
    assert_allclose(crossings.polled_upcrossing(0.0, 0.9), acos(0.9) / (2 * pi), rtol=1e-12)
    assert_allclose(crossings.polled_upcrossing(2.0, 0.99), 0.003038489, atol=1e-9)
    assert_allclose(crossings.mean_excursion_polls(2.0, 0.99), 7.487317, atol=1e-6)
    assert_allclose(2 * crossings.polled_upcrossing(2.0, 0.99), 0.006076979, atol=1e-9)


@pytest.mark.parametrize(
    ("avg", "expected"), [(1, 0.019550303), (4, 0.008203047), (16, 0.003893899), (64, 0.001937389)]
)
def test_averaging_alone_does_not_cure_chatter(avg: int, expected: float) -> None:
    """Derived from Owen's identity with the noise folded into the correlation; simulated to 4 %."""
    assert_allclose(crossings.averaged_upcrossing(2.0, 0.9999, 0.5, avg), expected, atol=1e-9)
    assert crossings.averaged_upcrossing(2.0, 0.9999, 0.5, avg) > 6 * 0.000304604


@pytest.mark.parametrize(
    ("a", "b", "expected"), [(1.5, 2.0, 0.165387631), (1.8, 2.0, 0.325567378), (-0.5, 0.5, 0.382393504)]
)
def test_hysteresis_cycles_of_a_continuous_signal(a: float, b: float, expected: float) -> None:
    """First-passage algebra of the Ornstein-Uhlenbeck process, two routes agree."""
    assert_allclose(crossings.hysteresis_cycles_per_tau(a, b), expected, atol=1e-9)


@pytest.mark.parametrize(("rho", "expected", "gain"), [(0.99, 0.001209160, 2.5129), (0.999, 0.000148458, 6.4869)])
def test_hysteresis_polled(rho: float, expected: float, gain: float) -> None:
    """Stationary law by quadrature, simulated to 3 %; levels 1.5 and 2 sd."""
    exact = crossings.hysteresis_wakes_per_poll_exact(1.5, 2.0, rho, order=200)
    assert_allclose(exact, expected, atol=1e-9)
    assert_allclose(crossings.hysteresis_wakes_per_poll(1.5, 2.0, rho), expected, rtol=2e-4)
    assert_allclose(crossings.polled_upcrossing(2.0, rho) / expected, gain, rtol=1e-4)


def test_excess_law() -> None:
    """Pickands 1975, Davison & Smith 1990; reference: scipy.stats.genpareto."""
    level = tails.level_once_in(1e5, u=30.0, above_frac=0.01, scale=2.0, shape=0.1)
    assert_allclose(level, 49.905246, atol=1e-6)
    assert_allclose(level, 30.0 + genpareto.ppf(1 - 1e-3, 0.1, scale=2.0), rtol=1e-9)
    assert_allclose(tails.mean_excess(0.0, scale=2.0, shape=0.1), 2.222222, atol=1e-6)
    assert_allclose(tails.mean_excess(5.0, scale=2.0, shape=0.1), 2.777778, atol=1e-6)
    assert_allclose(tails.excess_kept_frac(5.0, scale=2.0, shape=0.1), 0.107374, atol=1e-6)


def test_excess_fit_finds_the_law_again() -> None:
    """Exact quantiles of scipy.stats.genpareto(0.1, scale=2)."""
    excess = genpareto.ppf((np.arange(5000) + 0.5) / 5000, 0.1, scale=2.0)
    assert_allclose(tails.fit_excess(excess), (2.0, 0.1), atol=0.02)


def test_extremal_index_of_a_max_autoregression() -> None:
    """Ferro & Segers 2003: with alpha 0.5 the index is 0.5."""
    random = np.random.default_rng(7)
    shocks = -1.0 / np.log(random.random(200_000))
    x = np.empty_like(shocks)
    x[0] = shocks[0]
    for i in range(1, len(x)):
        x[i] = max(0.5 * x[i - 1], 0.5 * shocks[i])
    assert_allclose(tails.extremal_index(x > np.quantile(x, 0.99)), 0.5, atol=0.04)


def test_censored_fit_is_not_fooled_by_the_spread_of_reports() -> None:
    """2,000 exact quantiles of N(20, 3), only those outside [14, 26] reported; reference: lifelines."""
    value = norm.ppf((np.arange(2000) + 0.5) / 2000, 20.0, 3.0)
    sent = value[(value < 14.0) | (value > 26.0)]
    assert len(sent) == 92
    assert sent.std() > 6
    fit = fit_censored_normal(sent, np.array([14.0]), np.array([26.0]), np.array([2000.0 - 92]))
    assert_allclose(fit.mean, 20.0000, atol=1e-3)
    assert_allclose(fit.sd, 3.0023, atol=1e-3)
    assert_allclose(fit.outside_frac(12.0, 28.0), 1 - norm.cdf(8 / 3) + norm.cdf(-8 / 3), atol=2e-4)
    assert_allclose(effective_count(2000, 0.99), 10.05, atol=5e-3)
    lower = np.exp(np.concatenate([sent, np.full(2000 - 92, 14.0)]) / 10.0)
    upper = np.exp(np.concatenate([sent, np.full(2000 - 92, 26.0)]) / 10.0)
    reference = LogNormalFitter().fit_interval_censoring(lower, upper)
    assert_allclose((reference.mu_ * 10, reference.sigma_ * 10), (fit.mean, fit.sd), rtol=1e-4)


def test_chance_that_an_event_is_seen() -> None:
    """Uniform phase, worked by hand."""
    assert_allclose(interval.event_seen_frac(0.04, 0.1), 0.4)
    assert_allclose([interval.event_seen_frac(0.25, 0.1, hits_count=k) for k in (1, 2, 3)], [1, 1, 0.5])
    seen = [interval.exponential_event_seen_frac(mu, 1.0) for mu in (1.0, 0.1, 10.0)]
    assert_allclose(seen, [0.632121, 0.099995, 0.951626], atol=1e-6)
    assert_allclose(interval.interval_for_missed_s(1.0, 0.05), 1.052632, atol=1e-6)


def test_error_between_readings() -> None:
    """Kriging variance integrated; checked by quadrature and simulation."""
    gaps = (0.1, 0.5, 1.0)
    assert_allclose([interval.midpoint_error_frac(x, 1.0) for x in gaps], [0.049958, 0.244919, 0.462117], atol=1e-6)
    assert_allclose([interval.gap_error_frac(x, 1.0) for x in gaps], [0.033311, 0.163953, 0.313035], atol=1e-6)
    assert_allclose([interval.held_error_frac(x, 1.0) for x in gaps], [0.096748, 0.426123, 0.735759], atol=1e-6)
    assert_allclose([interval.one_sided_error_frac(x, 1.0) for x in gaps], [0.093654, 0.367879, 0.567668], atol=1e-6)
    assert_allclose(interval.interval_for_error_s(0.05, 1.0), 0.150226, atol=1e-6)
    assert interval.sine_error(1.0, 10.0) <= (2 * pi * 0.1) ** 2 / 8
    assert_allclose(interval.sine_error(1.0, 10.0), 0.048943, atol=1e-6)
