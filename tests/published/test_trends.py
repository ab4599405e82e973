"""Slopes, steps and falling fits against printed values and reference libraries."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
import ruptures
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from sklearn.linear_model import LinearRegression
from statsmodels.datasets import nile

from fleet.estimates.slopes import falling_fit, kendall_score, kendall_variance, siegel, theil_sen, theil_sen_limits
from fleet.flags.change_point import all_changes, date_quantile, mean_change, rate_change

NILE = nile.load_pandas().data
DISASTERS = np.array(
    [4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2,
     2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1,
     0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 4, 2, 0, 0, 0, 1, 4, 0, 0,
     0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1]
)  # fmt: skip


def test_robust_slope_of_the_nile() -> None:
    """Source: data in statsmodels; scipy and pymannkendall on the same."""
    year, flow = NILE["year"].to_numpy(float), NILE["volume"].to_numpy(float)
    assert_allclose(theil_sen(year, flow), -2.6, atol=1e-9)
    assert_allclose(theil_sen_limits(year, flow), (-3.627907, -1.428571), atol=1e-6)
    assert (kendall_score(flow), round(kendall_variance(flow), 4)) == (-1387, 112728.3333)
    assert_allclose(siegel(year, flow), -2.155495, atol=1e-6)
    peer = pymannkendall.original_test(flow)
    assert (peer.s, round(peer.var_s, 4)) == (-1387, 112728.3333)
    assert_allclose(theil_sen(year, flow), stats.theilslopes(flow, year).slope)
    assert_allclose(siegel(year, flow), stats.siegelslopes(flow, year).slope)


def test_what_robust_slopes_bear() -> None:
    """Source: breakdown points 29.3 and 50 % (from memory); 40 % gross errors leave Siegel's slope at exactly 1."""
    x = np.arange(10.0)
    y = np.where(x < 6, x, 100 * x)
    assert siegel(x, y) == 1
    assert theil_sen(x, y) > 50


def test_slopes_of_many_series_with_holes_are_those_of_each_alone() -> None:
    """Source: scipy.stats.theilslopes of each row's known points."""
    rng = np.random.default_rng(6)
    x, y = np.arange(12.0), rng.normal(size=(5, 12))
    y[2, 3:6] = np.nan
    y[4, :] = np.nan
    want = [stats.theilslopes(row[np.isfinite(row)], x[np.isfinite(row)]).slope for row in y[:4]]
    assert_allclose(theil_sen(x, y), [*want, np.nan])


def test_certified_slope_is_that_of_the_library_used() -> None:
    """Source: NIST StRD, Norris, certified slope 1.00211681802045; a plain line is scikit-learn's, not ours."""
    x = np.array(
        [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9,
         338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0,
         11.1, 118.3, 229.2, 669.1, 448.9, 0.5]
    )  # fmt: skip
    y = np.array(
        [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
         339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9,
         10.2, 117.6, 228.9, 668.4, 449.2, 0.2]
    )  # fmt: skip
    fit = LinearRegression().fit(x[:, None], y)
    assert_allclose(fit.coef_[0], 1.00211681802045, rtol=1e-12)
    assert theil_sen(x, y) == pytest.approx(1.00211681802045, abs=1e-3)


def test_falling_fit() -> None:
    """Source: the `isoreg` example of R, read backwards: 1 0 4 3 3 5 4 2 0 rising is .5 .5 3 3 3 3 3 3 3."""
    rising = -falling_fit(-np.array([1.0, 0, 4, 3, 3, 5, 4, 2, 0]))
    assert_allclose(rising, [0.5, 0.5, 3, 3, 3, 3, 3, 3, 3])
    assert_allclose(falling_fit([3.05, 3.01, 3.02, 2.98, 2.99, 2.90]), [3.05, 3.015, 3.015, 2.985, 2.985, 2.90])


def test_the_nile_changed_in_1898() -> None:
    """Sources: manual of the R package strucchange; window 25..31 with a common variance; ruptures on the same."""
    flow = NILE["volume"].to_numpy(float)
    found = mean_change(flow)
    assert (found.at, NILE["year"][found.at - 1]) == (28, 1898)
    assert_allclose([found.before, found.after], [1097.75, 849.972222], atol=1e-6)
    assert (found.lo, found.hi) == (25, 31)
    assert date_quantile(0.975) == pytest.approx(11.0333, abs=5e-5)
    assert ruptures.Dynp(model="l2", jump=1).fit(flow).predict(n_bkps=1) == [28, 100]


@pytest.mark.parametrize("times", [2.0, 3.0])
def test_all_changes_of_the_nile(times: float) -> None:
    """Source: ruptures' PELT with this penalty gives [28, 100]."""
    flow = NILE["volume"].to_numpy(float)
    penalty = times * 0.5 * np.diff(flow).var() * np.log(len(flow))
    assert all_changes(flow, penalty=penalty) == [28, 100]
    assert ruptures.Pelt(model="l2", jump=1, min_size=1).fit(flow).predict(pen=penalty) == [28, 100]


def test_all_changes_equal_those_of_ruptures_on_made_series() -> None:
    """Source: ruptures' PELT on 20 made series of steps in noise."""
    rng = np.random.default_rng(9)
    for _ in range(20):
        y = np.repeat(rng.normal(0, 4, 5), rng.integers(5, 30, 5)) + rng.normal(size=0).sum()
        y = y + rng.normal(size=len(y))
        want = ruptures.Pelt(model="l2", jump=1, min_size=1).fit(y).predict(pen=12.0)
        assert_array_equal(all_changes(y, penalty=12.0), want)


def test_coal_mine_disasters() -> None:
    """Source: data Jarrett 1979 (112 years, 191 events); mode by Carlin, Gelfand and Smith 1992 (from memory)."""
    assert (len(DISASTERS), DISASTERS.sum()) == (112, 191)
    found = rate_change(DISASTERS)
    assert found.at == 41
    assert_allclose([found.before, found.after], [3.097561, 0.901408], atol=1e-6)
    assert found.log_likelihood_ratio == pytest.approx(69.988345, abs=1e-6)
    assert (found.odds.argmax() + 1, round(found.odds.max(), 6)) == (41, 0.245020)
    assert [1850 + found.quantile(level) for level in (0.025, 0.5, 0.975)] == [1886, 1890, 1896]
