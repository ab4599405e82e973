"""Wake counts and alarm rules against printed values and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from statsmodels.discrete.discrete_model import NegativeBinomial
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.rates import confint_poisson

from fleet.estimates.rates import dispersion, negative_binomial_shape, poisson_mean_limits, rate_ratio, upper_count
from fleet.flags.count_cusum import (
    count_alarms,
    count_run_length_d,
    cusum_paths,
    normal_run_length,
    outside_limits,
    reference_per_d,
    threshold_for_d,
    two_sided_run_length,
)
from fleet.flags.discovery import adjusted_p
from fleet.flags.shrink import pooled_rate_per_d, prior_of_peers, tail_odds

HORSE_KICKS = np.repeat(np.arange(5), [109, 65, 22, 3, 1])
RED_MITES = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])


def test_exact_limits_of_a_poisson_mean() -> None:
    """Source: Garwood, Biometrika 28 (1936) 437 (from memory); statsmodels `exact-c` agrees."""
    counts = np.array([0, 1, 5, 10, 50])
    low, high = poisson_mean_limits(counts)
    assert_allclose(low, [0, 0.025318, 1.623486, 4.795389, 37.110964], atol=1e-6)
    assert_allclose(high, [3.688879, 5.571643, 11.668332, 18.390356, 65.918767], atol=1e-6)
    assert_allclose((low[1:], high[1:]), np.array(confint_poisson(counts[1:], 1.0, method="exact-c")), atol=1e-9)


def test_exact_limits_of_a_rate() -> None:
    """Source: the `poisson.test` example of R, 137 in 24.19893. Another page prints 4.739093..6.665835: wrong."""
    low, high = poisson_mean_limits(137)
    assert_allclose([low / 24.19893, high / 24.19893], [4.753125, 6.692709], atol=1e-6)


def test_two_rates() -> None:
    """Source: the `poisson.test` example output of R, 11 in 800 against 21 in 3011."""
    found = rate_ratio(11, 800.0, 21, 3011.0)
    assert found.p == pytest.approx(0.07967, abs=5e-6)
    assert_allclose([found.ratio, found.lo, found.hi], [1.971488, 0.8584264, 4.2772659], atol=1e-6)


def test_horse_kicks_scatter_like_poisson() -> None:
    """Source: data von Bortkiewicz 1898, deaths by horse kick."""
    assert_allclose(dispersion(HORSE_KICKS), (199.311475, 0.480450), atol=1e-6)
    assert HORSE_KICKS.mean() == pytest.approx(0.61)


def test_red_mites_scatter_more_than_poisson() -> None:
    """Source: data Bliss and Fisher, Biometrics 9 (1953) 176; statsmodels' NB2 fit of the same."""
    statistic, p = dispersion(RED_MITES)
    assert (round(statistic, 6), p < 1e-10) == (295.441860, True)
    shape = negative_binomial_shape(RED_MITES)
    assert shape == pytest.approx(1.02459, abs=2e-5)
    fit = NegativeBinomial(RED_MITES, np.ones(len(RED_MITES))).fit(disp=False)
    assert shape == pytest.approx(1 / fit.params[1], rel=1e-4)
    assert_array_equal(upper_count([RED_MITES.mean()] * 2, [np.inf, shape]), [6, 10])


def test_counts_that_scatter_less_than_poisson_have_no_finite_shape() -> None:
    assert negative_binomial_shape(np.array([4, 4, 5, 4, 4])) == np.inf


def test_a_count_on_the_limit_is_inside_the_chart() -> None:
    """Source: NIST/SEMATECH e-Handbook 6.3.3.1, 25 wafers, centre 16, limits 4 and 28: wafer 3 (28) is inside."""
    wafers = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
    assert np.mean(wafers) == 16
    assert_array_equal(np.flatnonzero(outside_limits(wafers, 16.0)) + 1, [24])
    assert_allclose([stats.poisson.sf(28, 16), stats.poisson.cdf(3, 16)], [0.00218857, 9.31e-5], rtol=2e-3)


def test_a_count_sum_on_its_limit_alarms() -> None:
    assert_array_equal(count_alarms([3.0, 3.0], 2.0, 2.0), [False, True])


def test_tabular_sum_of_group_means() -> None:
    """Source: NIST/SEMATECH e-Handbook 6.3.2.3 (by public transcriptions): target 325, k 0.3175, h 4.1959."""
    means = np.array(
        [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
         324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
    )  # fmt: skip
    high = cusum_paths(means - 325 - 0.3175)
    printed = [0.00, 0.00, 0.00, 0.00, 0.03, 0.00, 0.00, 0.00, 0.00, 0.00,
               0.00, 0.00, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]  # fmt: skip
    assert_allclose(high, printed, atol=0.0051)
    low = cusum_paths(325 - 0.3175 - means)
    printed_low = [0.00, 0.01, 0.00, 0.33, 0.00, 0.00, 0.56, 0.72, 0.17, 0.25,
                   0.31, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00]  # fmt: skip
    assert_allclose(low, printed_low, atol=0.0051)
    assert_array_equal(np.flatnonzero(high > 4.1959) + 1, np.arange(14, 21))


@pytest.mark.parametrize(
    ("limit", "want"),
    [
        (4.0, {0: 168, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 1.5: 4.75, 2: 3.34, 2.5: 2.62, 3: 2.19, 4: 1.71}),
        (5.0, {0: 465, 0.25: 139, 0.5: 38.0, 0.75: 17.0, 1: 10.4, 1.5: 5.75, 2: 4.01, 2.5: 3.11, 3: 2.57, 4: 2.01}),
    ],
)
def test_run_lengths_of_a_two_sided_sum(limit: float, want: dict[float, float]) -> None:
    """Source: Lucas and Crosier 1982, Table 1 (by the manual page of the R package spc), k = 0.5, within 0.5 %."""
    got = [
        two_sided_run_length(normal_run_length(shift, 0.5, limit), normal_run_length(-shift, 0.5, limit))
        for shift in want
    ]
    assert_allclose(got, list(want.values()), rtol=5e-3)


def test_run_lengths_of_one_sided_sums() -> None:
    """Sources: Vance 1986, Table 1 (k = 0, h = 10); a manual of 1999 (k = 0.25, h = 8), with its head start."""
    means = [-0.25, -0.125, 0.0, 0.125, 0.25, 0.5, 0.75, 1.0]
    printed = [2071.51, 400.28, 124.66, 59.30, 36.71, 20.37, 14.06, 10.75]
    assert_allclose([normal_run_length(mean, 0.0, 10.0) for mean in means], printed, rtol=3e-4)
    assert_allclose(normal_run_length(2.5, 0.25, 8.0), 4.1500836225, atol=5e-7)
    assert_allclose(normal_run_length(2.5, 0.25, 8.0, start=0.1), 4.1061588131, atol=5e-7)


def test_run_lengths_of_count_sums() -> None:
    """Source: Lucas, Technometrics 27 (1985), Tables 2 to 5: mean 0.25, k = 0.25, h = 10; head start half of h."""
    assert count_run_length_d(0.25, 0.25, 10.0) == pytest.approx(438, abs=0.5)
    assert count_run_length_d(0.25, 0.25, 10.0, start=5.0) == pytest.approx(333, abs=0.5)
    assert count_run_length_d(0.25, 0.25, 10.0, lower=True) == pytest.approx(437, abs=0.5)
    assert count_run_length_d(0.25, 0.25, 10.0, lower=True, start=5.0) == pytest.approx(318, abs=0.5)


def test_a_design_for_wakes() -> None:
    """Source: exact Markov chain, worked apart: four wakes a day, watched for eight."""
    assert reference_per_d(4.0, 8.0) == pytest.approx(5.770780, abs=1e-6)
    assert count_run_length_d(4.0, 6.0, 7.0) == pytest.approx(805.305, abs=5e-4)
    assert count_run_length_d(8.0, 6.0, 7.0) == pytest.approx(4.075, abs=5e-4)
    assert threshold_for_d(4.0, 6.0, 805.0, step=1.0) == 7.0


def test_the_designed_rate_of_false_alarms_is_that_of_made_counts() -> None:
    """Source: simulation of 20 years of 60 nodes that wake four times a day, restarted after each alarm."""
    rng = np.random.default_rng(3)
    counts = rng.poisson(4.0, (60, 7300))
    alarms, now = 0, np.zeros(60)
    for day in range(7300):
        now = np.maximum(now + counts[:, day] - 6.0, 0.0)
        alarms += int((now >= 7.0).sum())
        now[now >= 7.0] = 0.0
    assert alarms == pytest.approx(60 * 7300 / 805.305, rel=0.15)


def test_step_up_discovery_control() -> None:
    """Source: the 15 p-values of Benjamini and Hochberg, JRSS B 57 (1995) 289; statsmodels `fdr_bh`."""
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    adjusted = adjusted_p(p)
    want = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.0638571, 0.0638571, 0.0645, 0.0765, 0.486, 0.5811818, 0.714875]
    assert_allclose(adjusted, [*want, 0.7532308, 0.8132143, 1.0], atol=5e-8)
    assert (adjusted <= 0.05).sum() == 4
    assert_allclose(adjusted, multipletests(p, method="fdr_bh")[1])


def test_discovery_control_steps_up_and_leaves_out_what_was_not_judged() -> None:
    assert_array_equal(adjusted_p([0.04, np.nan, 0.05, 0.06]) <= 0.10, [True, False, True, True])


def test_peers_and_own_count_together() -> None:
    """Source: conjugate algebra: Gamma(2, 1 a day), 14 wakes in 3 days; the raw rate would say 0.021285."""
    mean, low, high = pooled_rate_per_d(2.0, 1.0, 14.0, 3.0)
    assert_allclose([mean, low, high], [4.0, 2.286346, 6.185055], atol=1e-6)
    assert_allclose(tail_odds(10, 16.0, 4.0), 0.017332, atol=1e-6)
    assert_allclose(stats.poisson.sf(9, 14 / 3), 0.021285, atol=1e-6)
    assert_allclose(tail_odds([0, 3], 16.0, 4.0), [1.0, stats.nbinom.sf(2, 16, 4 / 5)])


def test_the_prior_of_peers_is_found_from_their_counts() -> None:
    """Source: made peers with a known Gamma(5, 2)."""
    rng = np.random.default_rng(5)
    rate = rng.gamma(5.0, 0.5, 4000)
    days = rng.integers(3, 30, 4000)
    shape, per_d = prior_of_peers(rng.poisson(rate * days), days)
    assert_allclose([shape, per_d], [5.0, 2.0], rtol=0.1)
