"""Closed forms of remaining life and the weighing of voltages, against printed values and a second route."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from fleet.estimates.battery_beliefs import beliefs_of
from fleet.estimates.cell_prior import cell_prior
from fleet.estimates.evidence import DaySeries, evidence_of
from fleet.estimates.first_passage import dead_by_frac, life_quantile_d
from fleet.estimates.hypotheses import DIMENSIONS
from fleet.estimates.state_of_charge import TRUST, _Likelihood, weigh
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Figure, Profile, Sleep, Wake

ONE = np.ones(1)
DECILES = (0.1, 0.5, 0.9)


def quantiles_d(drain_sd: float, wander: float) -> list[float]:
    return [
        float(life_quantile_d(level, 1000 * ONE, 2 * ONE, drain_sd=drain_sd * ONE, wander=wander * ONE)[0])
        for level in DECILES
    ]


def test_first_passage_quantiles() -> None:
    """Inverse Gaussian(mean 500, shape 40 000): Wald; values by scipy's `invgauss` and bridged paths."""
    assert_allclose(quantiles_d(0.0, 5.0), [430.724195, 496.897578, 573.261468], atol=1e-4)


def test_first_passage_odds() -> None:
    """Same law: dead by day 450 with 0.187125; of three such nodes some one with 0.462879."""
    odds = float(dead_by_frac(450 * ONE, 1000 * ONE, 2 * ONE, drain_sd=0 * ONE, wander=5 * ONE)[0])
    assert_allclose([odds, 1 - (1 - odds) ** 3], [0.187125, 0.462879], atol=1e-6)


def test_first_passage_does_not_overflow() -> None:
    """Diffusion 1 needs exp(4000) in the plain formula; values by the same outside routes."""
    assert_allclose(quantiles_d(0.0, 1.0), [485.755097, 499.875036, 514.405450], atol=1e-4)


@pytest.mark.parametrize(
    ("wander", "expected"),
    [(0.0, [443.201449, 500.0, 573.496539]), (5.0, [413.386210, 496.896181, 607.155970])],
)
def test_first_passage_with_uncertain_drift(wander: float, expected: list[float]) -> None:
    """Drift N(2, 0.2): Tang et al. 2014, Energies 7:520 (form from memory); values by mixture integral, to 1e-9.

    Without diffusion by hand: 1000 / (2 ∓ 0.2 z). The far tail where the drift may turn negative is left out there.
    """
    assert_allclose(quantiles_d(0.2, wander), expected, rtol=2e-6)


def test_a_drain_that_may_be_nothing_has_quantiles_or_none() -> None:
    """Drift N(0, 1): the charge is used up in half of the cases at most, so P90 is never reached. By symmetry."""
    late = life_quantile_d(0.9, 10 * ONE, 0 * ONE, drain_sd=ONE, wander=0 * ONE)
    assert np.isinf(late).all()


def profile() -> Profile:
    return Profile(
        profile="bench",
        sleep=Sleep(current_ua=Figure(40.0)),
        wake=Wake(current_ma=Figure(120.0), length_ms=Figure(2000.0)),
        battery=Battery(chemistry="li-ion", capacity_mah=Figure(1200.0), cutoff_mv=3200.0),
    )


def test_weighed_draws_agree_with_brute_force() -> None:
    """The sampler against importance weights of 50,000 plain draws of the same model (a second route, same machine).

    Four voltages of a cell about half used; mean and spread of the depth of discharge now.
    """
    chemistry = load_chemistry("li-ion")
    prior = cell_prior(chemistry)
    age = np.array([5.5, 35.5, 65.5, 95.5])
    days = np.zeros(96)
    mv = np.full(96, np.nan)
    mv[age.astype(int)] = [4050.0, 3930.0, 3830.0, 3760.0]
    series = DaySeries(
        age_d=np.arange(96) + 0.5,
        rest_mv=mv,
        load_mv=np.full(96, np.nan),
        noise_mv=days + 3.0,
        temp_c=days + 20.0,
        floor_mah=days + 1.0,
        wake_mah=days + 4.0,
        end_d=96.0,
        step_mv=4.0,
    )
    beliefs = beliefs_of(
        profile(), chemistry, told_start=True, before_mah=0.0, self_discharge_per_d=0.0005, recharged=False
    )
    shown = evidence_of(series)
    likelihood = _Likelihood(shown, beliefs, chemistry, prior)
    places = np.random.default_rng(1).random((50_000, DIMENSIONS))
    log = np.concatenate([TRUST * likelihood.log_of(part) for part in np.array_split(places, 20)])
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    dod = likelihood.filtered(places, np.random.default_rng(2)).dod_frac
    mean = float((weight * dod).sum())
    spread = float(np.sqrt((weight * (dod - mean) ** 2).sum()))
    state = weigh(shown, beliefs, chemistry, prior, draws=2048)
    assert_allclose(state.dod_frac.mean(), mean, atol=0.25 * spread)
    assert_allclose(state.dod_frac.std(), spread, rtol=0.25)
