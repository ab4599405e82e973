"""Scores of forecasts against printed values and reference libraries."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from numpy.testing import assert_allclose
from sklearn.metrics import brier_score_loss, mean_pinball_loss

from fleet.estimates.alive import alive_frac, alive_frac_at, alive_frac_se
from fleet.estimates.first_passage import dead_by_frac, life_quantile_d
from fleet.estimates.scorecard import corrected, score_forecasts
from fleet.estimates.scores import (
    alpha_lambda,
    brier,
    conformal_factor,
    crps_ensemble,
    crps_normal,
    hits_expected,
    interval_score,
    pinball,
    pit_is_uniform,
    prognostic_horizon_d,
    relative_accuracy,
)
from fleet.estimates.two_piece import quantile_d

D = 86_400.0
SIX_MP_WEEKS = np.array([6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35.0])
SIX_MP_ENDED = np.array([True] * 9 + [False] * 12)


def test_alive_frac_on_published_remission_times() -> None:
    """Source: Freireich et al., Blood 21 (1963) 699-716, the 21 patients given 6-MP; weeks stand in for days.

    Worked by hand from the times: 18 of 21 pass week 6, then 16 of the 17 left pass week 7, and so on.
    """
    share = alive_frac(SIX_MP_WEEKS, SIX_MP_ENDED)
    assert_allclose(share, [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], atol=5e-4)
    assert_allclose(alive_frac_se(SIX_MP_WEEKS, SIX_MP_ENDED)[-1], 0.134591, atol=1e-6)


def test_leaving_the_living_out_would_halve_the_life() -> None:
    """Source: the same data: the ended ones have a mean of 12.11 weeks, while the median life is 23."""
    assert SIX_MP_WEEKS[SIX_MP_ENDED].mean() == pytest.approx(12.11, abs=5e-3)
    assert alive_frac_at(SIX_MP_WEEKS, SIX_MP_ENDED, [22.9, 23.0]).round(3).tolist() == [0.538, 0.448]


def test_alive_frac_equals_lifelines_with_weights() -> None:
    """Source: lifelines KaplanMeierFitter on 200 made lives with weights."""
    rng = np.random.default_rng(4)
    age, ended, weight = rng.integers(1, 40, 200).astype(float), rng.random(200) < 0.6, rng.integers(1, 4, 200)
    fit = KaplanMeierFitter().fit(age, ended, weights=weight)
    wanted = np.arange(0, 40.0, 3.0)
    assert_allclose(alive_frac_at(age, ended, wanted, weights=weight), fit.predict(wanted).to_numpy(), atol=1e-12)


def test_prognostic_metrics() -> None:
    """Source: formulas of Saxena et al. 2008 and 2010 (from memory), values worked by hand; end of life at 100."""
    at = np.arange(10.0, 100.0, 10.0)
    predicted = np.array([60.0, 64, 75, 52, 47, 43, 27, 21, 9])
    truth = 100.0 - at
    assert prognostic_horizon_d(at, predicted, end_d=100.0, alpha=0.1) == 70.0
    assert (alpha_lambda(predicted[0], truth[0]), alpha_lambda(predicted[4], truth[4])) == (False, True)
    assert_allclose(relative_accuracy(predicted, truth)[4], 0.94)
    assert_allclose(relative_accuracy(predicted, truth).mean(), 0.875212, atol=1e-6)


def test_relative_accuracy_is_of_the_remaining_life_not_of_the_date() -> None:
    """Taken on the date of death the same forecasts would score 0.97 and 0.922222 at most."""
    assert relative_accuracy(47.0, 50.0) == pytest.approx(0.94)
    assert relative_accuracy(47.0, 50.0) != pytest.approx(0.97)


def test_continuous_ranked_probability_scores() -> None:
    """Source: Gneiting and Raftery 2007, closed form; the same by properscoring 0.1 and scoringrules 0.10."""
    assert_allclose(crps_normal([0.0, 1.0], [1.0, 2.0], [0.0, 1.5]), [0.233695, 0.517000], atol=1e-6)
    assert (round(crps_ensemble([1, 2, 3], 2.0), 6), crps_ensemble([1, 2, 3], 2.0, fair=True)) == (0.222222, 0.0)
    draws = np.random.default_rng(1).normal(size=200_000)
    assert_allclose(crps_normal(0.0, 1.0, draws).mean(), 0.564190, atol=4e-3)


@pytest.mark.parametrize(
    ("quantiles", "level", "want"),
    [
        ([0, 2, 3], 0.1, 1 / 30),
        ([1, 2, 3], 0.1, 0.0),
        ([0, 2, 3], 0.9, 0.3),
        ([1, 2, 4], 0.1, 0.3),
        ([1, 2, 4], 0.9, 1 / 30),
    ],
)
def test_pinball_loss(quantiles: list[float], level: float, want: float) -> None:
    """Source: the examples of scikit-learn's user guide for `mean_pinball_loss`, and that function."""
    truth = [1, 2, 3]
    assert_allclose(pinball(quantiles, level, truth).mean(), want, atol=1e-12)
    assert_allclose(mean_pinball_loss(truth, quantiles, alpha=level), want, atol=1e-12)


def test_brier_score_equals_scikit_learn() -> None:
    """Source: sklearn.metrics.brier_score_loss."""
    happened, given = np.array([0, 1, 1, 0, 1]), np.array([0.1, 0.9, 0.8, 0.3, 0.35])
    assert_allclose(brier(given, happened).mean(), brier_score_loss(happened, given))


def test_interval_score() -> None:
    """Source: Gneiting and Raftery 2007: width 20, and 2 / 0.2 for each unit missed."""
    assert_allclose(interval_score(40, 60, [50, 65], level=0.8), [20, 70])


@pytest.mark.parametrize(("n", "want"), [(200, (149, 171)), (50, (34, 45))])
def test_how_many_hits_an_80_per_cent_interval_may_have(n: int, want: tuple[int, int]) -> None:
    """Source: exact binomial limits by scipy, 95 %."""
    assert hits_expected(n, 0.8) == want


def test_inverse_gaussian_life() -> None:
    """Source: closed form (Schrödinger, Wald), by scipy and by 20,000 bridged paths: P10, P50, P90 and the odds."""
    one = np.ones(1)
    told = {"drain_sd": 0 * one, "wander": 5 * one}
    quantiles = [life_quantile_d(level, 1000 * one, 2 * one, **told)[0] for level in (0.1, 0.5, 0.9)]
    assert_allclose(quantiles, [430.724195, 496.897578, 573.261468], atol=1e-5)
    odds = dead_by_frac(450 * one, 1000 * one, 2 * one, **told)[0]
    assert_allclose([odds, 1 - (1 - odds) ** 3, 3 * odds], [0.187125, 0.462879, 0.561374], atol=2e-6)


def test_inverse_gaussian_does_not_overflow() -> None:
    """exp(2 λ / µ) is exp(4000) here; the quantiles are worked in logarithms."""
    one = np.ones(1)
    told = {"drain_sd": 0 * one, "wander": one}
    quantiles = [life_quantile_d(level, 1000 * one, 2 * one, **told)[0] for level in (0.1, 0.5, 0.9)]
    assert_allclose(quantiles, [485.755097, 499.875036, 514.405450], atol=1e-5)


@pytest.mark.parametrize(
    ("wander", "want"), [(0.0, [443.201449, 500.0, 573.496539]), (5.0, [413.386210, 496.896181, 607.155970])]
)
def test_life_with_an_uncertain_drain(wander: float, want: list[float]) -> None:
    """Source: closed form of Wiener-process papers (Tang et al. 2014, Energies 7:520), equal to the mixture integral.

    Without wander the life is 1000 over a drain that may be 0 or less with a chance of 1e-23.
    """
    one = np.ones(1)
    told = {"drain_sd": 0.2 * one, "wander": wander * one}
    assert_allclose(
        [life_quantile_d(level, 1000 * one, 2 * one, **told)[0] for level in (0.1, 0.5, 0.9)], want, atol=1e-4
    )


def test_calibration_is_seen_and_overconfidence_caught() -> None:
    """Source: binomial limits; halving the diffusion makes an "80 %" interval hold 0.4784."""
    rng = np.random.default_rng(12)
    life = rng.wald(500.0, 40_000.0, 4000)
    one = np.ones(1)
    told = {"drain_sd": 0 * one, "wander": 2.5 * one}
    low, high = (life_quantile_d(level, 1000 * one, 2 * one, **told)[0] for level in (0.1, 0.9))
    assert ((life >= low) & (life <= high)).mean() == pytest.approx(0.4784, abs=0.025)
    many = np.full(4000, 1.0)
    true = dead_by_frac(life, 1000 * many, 2 * many, drain_sd=0 * many, wander=5 * many)
    halved = dead_by_frac(life, 1000 * many, 2 * many, drain_sd=0 * many, wander=2.5 * many)
    assert pit_is_uniform(true[:200]) > 0.01
    assert pit_is_uniform(halved[:800]) < 1e-6


def made_past(
    n_nodes: int, *, claimed_over_true: float = 1.0, ends_d: float = 1e9
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Weekly forecasts of lives that are log-normal about 100 days with spread 0.3, and the lives."""
    rng = np.random.default_rng(7)
    middle = np.exp(rng.normal(np.log(100), 0.3, n_nodes))
    life = middle * np.exp(rng.normal(0, 0.3, n_nodes))
    rows = []
    for node in range(n_nodes):
        half = 1.2816 * 0.3 * claimed_over_true
        p50 = middle[node]
        rows.append((node, 0.0, p50 * np.exp(-half), p50, p50 * np.exp(half)))
    names = ["node_id", "at", "days_left_p10", "days_left_p50", "days_left_p90"]
    forecasts = pd.DataFrame(rows, columns=names).assign(site=lambda f: np.where(f.node_id % 2, "a", "b"))
    forecasts["dead_by_90"] = [0.5] * n_nodes
    ended = life <= ends_d
    outcomes = pd.DataFrame({"node_id": np.arange(n_nodes), "start": 0.0})
    outcomes["dead_at"] = np.where(ended, life * D, np.nan)
    outcomes["alive_until"] = np.minimum(life, ends_d) * D
    return forecasts, outcomes


def test_the_scorecard_finds_a_calibrated_forecast_calibrated() -> None:
    card = score_forecasts(*made_past(2000))
    fleet = card.rows.iloc[0]
    assert fleet.coverage == pytest.approx(0.8, abs=0.025)
    assert fleet.coverage_lo < 0.8 < fleet.coverage_hi
    assert card.conformal_factor == pytest.approx(1.0, abs=0.06)
    assert list(card.rows.key) == ["", "a", "b"]
    assert fleet.brier_90 == pytest.approx(0.25)
    assert fleet.optimistic == pytest.approx(0.5, abs=0.03)


def test_batteries_that_still_live_are_not_left_out() -> None:
    """Seen for 110 days only: the coverage of all is still found, that of the ended ones alone is not 0.8."""
    forecasts, outcomes = made_past(4000, ends_d=110.0)
    assert score_forecasts(forecasts, outcomes).rows.iloc[0].coverage == pytest.approx(0.8, abs=0.03)


def test_the_correction_widens_what_was_too_narrow() -> None:
    card = score_forecasts(*made_past(2000, claimed_over_true=0.5))
    assert card.conformal_factor == pytest.approx(2.0, abs=0.12)
    assert card.rows.iloc[0].coverage == pytest.approx(0.4784, abs=0.03)


def test_corrected_intervals_hold_what_they_say() -> None:
    forecasts, outcomes = made_past(2000, claimed_over_true=0.5)
    factor = score_forecasts(forecasts, outcomes).conformal_factor
    better = corrected(forecasts, factor)
    assert score_forecasts(better, outcomes).rows.iloc[0].coverage == pytest.approx(0.8, abs=0.01)
    assert np.allclose(better.days_left_p50, forecasts.days_left_p50)
    assert corrected(forecasts, np.nan) is forecasts


def test_a_forecast_that_was_not_made_is_counted_not_scored() -> None:
    forecasts, outcomes = made_past(30)
    forecasts.loc[:4, "days_left_p50"] = np.nan
    fleet = score_forecasts(forecasts, outcomes).rows.iloc[0]
    assert (fleet.forecasts, fleet.without) == (25, 5)


def test_a_forecast_belongs_to_the_battery_in_use_then() -> None:
    forecasts, _ = made_past(1)
    forecasts = forecasts.assign(at=60 * D)
    outcomes = pd.DataFrame(
        {"node_id": [0, 0], "start": [0.0, 50 * D], "dead_at": [50 * D, 160 * D], "alive_until": [0.0, 0.0]}
    )
    assert score_forecasts(forecasts, outcomes).rows.iloc[0].nodes_ended == 1


def test_few_ended_lives_ask_for_no_correction() -> None:
    assert np.isnan(score_forecasts(*made_past(10)).conformal_factor)


def test_conformal_rank() -> None:
    assert conformal_factor(np.arange(1.0, 100.0)) == 80.0  # ceil(100 × 0.8) = 80th


def test_two_piece_quantiles_meet_the_three_given() -> None:
    assert_allclose(quantile_d([0.1, 0.5, 0.9], 3.0, 10.0, 100.0), [3, 10, 100], rtol=1e-9)
