"""Chance to be flat by a day, against the distribution that the figures were taken from (scipy's log-normal)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import lognorm

from fleet.frames import DEAD_BY_D
from reports.odds import all_last_frac, flat_by

MID_D, SPREAD = 140.0, 0.3


def estimates(mid_d: float = MID_D) -> pd.DataFrame:
    life = lognorm(SPREAD, scale=mid_d)
    row = {f"dead_by_{day}": life.cdf(day) for day in DEAD_BY_D}
    return pd.DataFrame([row | {f"days_left_p{p}": life.ppf(p / 100) for p in (10, 50, 90)}])


def test_flat_by_meets_the_distribution_at_every_point_it_was_told() -> None:
    life = lognorm(SPREAD, scale=MID_D)
    days = np.array([*DEAD_BY_D, *life.ppf([0.1, 0.5, 0.9])], float)
    assert_allclose(flat_by(estimates(), days[None, :])[0], life.cdf(days), atol=1e-9)


def test_flat_by_is_near_the_distribution_between_its_points() -> None:
    days = np.arange(1, 360.0)
    assert_allclose(flat_by(estimates(), days[None, :])[0], lognorm(SPREAD, scale=MID_D).cdf(days), atol=0.06)


def test_flat_by_never_falls_with_time_and_goes_on_behind_the_last_point() -> None:
    days = np.arange(1, 2000.0)
    chance = flat_by(estimates(mid_d=600.0), days[None, :])[0]
    assert (np.diff(chance) >= 0).all()
    assert chance[-1] > chance[400] > 0


def test_no_estimate_is_not_a_chance() -> None:
    unknown = estimates() * np.nan
    assert np.isnan(flat_by(unknown, np.array([30.0]))).all()


def test_all_last_is_the_product_of_the_known_chances() -> None:
    """Independent events: P(A and B) = P(A) P(B); 0.9 × 0.8 = 0.72."""
    assert all_last_frac(np.array([[0.1], [0.2], [np.nan]])) == pytest.approx([0.72])
