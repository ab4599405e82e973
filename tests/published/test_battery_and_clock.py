"""Trade sums, rate laws, voltage tables, loss and clocks against printed values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.stats.proportion import proportion_confint

from fleet.daily.clock_line import drift_s, skew_ppm
from fleet.daily.loss import burst_loss, burst_rates, sent_by_two_gateways, wilson_limits
from fleet.errors import EstimateError
from fleet.estimates.profile_table import coprocessor_current_ua
from fleet.estimates.rate_laws import arrhenius_factor, energy_of_q10_kj_per_mol, life_h, peukert_exponent, peukert_h
from fleet.estimates.scores import share_limits
from fleet.profiles.chemistry import Curve, load_chemistry

H_PER_YEAR = 8766.0


def test_trade_sums() -> None:
    """Source: common practice, no source: 2 mA × 40 µs every 100 ms; 12 wakes a day of 2.5 s at 80 mA on 5 µA."""
    coprocessor = float(coprocessor_current_ua(np.array(2.0), np.array(40e-6), np.array(0.1)))
    assert coprocessor == pytest.approx(0.8, abs=1e-12)
    wakes = 12 * 2.5 * 80_000 / 86_400
    assert_allclose([wakes, wakes + 5 + coprocessor], [27.777778, 33.577778], atol=1e-6)
    assert_allclose([wakes / 12 / coprocessor, 12 * 2.5 / 86_400], [2.893519, 3.472222e-4], rtol=1e-6)


def test_life_under_a_steady_drain() -> None:
    """Source: dQ/dt = −I − s Q, closed form and an ODE solver; year of 8766 h."""
    current_ua = 5 + 0.8 + 12 * 2.5 * 80_000 / 86_400
    assert_allclose(life_h(2400.0, current_ua), 71_475.843, atol=1e-3)
    assert_allclose(life_h(2400.0, current_ua) / H_PER_YEAR, 8.153759, atol=1e-6)
    assert_allclose(life_h(2400.0, current_ua, loss_per_year=0.01) / H_PER_YEAR, 7.838372, atol=1e-6)
    assert_allclose(life_h(225.0, 0.8) / H_PER_YEAR, 32.084, atol=1e-3)
    assert_allclose(life_h(225.0, 0.8, loss_per_year=0.01) / H_PER_YEAR, 27.827, atol=1e-3)


def test_peukert() -> None:
    """Source: law from memory; the two AA pairs from public test pages."""
    assert_allclose(peukert_h(100_000, 20.0, 10_000, exponent=1.2, measured_from_ma=5_000), 8.705506, atol=1e-6)
    assert_allclose(peukert_exponent(25, 2900, 500, 1400), 1.243092, atol=1e-6)
    assert_allclose(peukert_exponent(100, 2200, 500, 1300), 1.326881, atol=1e-6)


def test_peukert_is_not_carried_on_to_microamperes() -> None:
    """At 35 µA the law would claim 14.3 Ah from an AA cell."""
    with pytest.raises(EstimateError, match=r"0\.035 mA, fitted from 25 mA"):
        peukert_h(2900, 116.0, 0.035, exponent=1.243, measured_from_ma=25)


def test_light_loads_give_no_more_charge_than_the_best_rate() -> None:
    """Source: Linden's Handbook of Batteries, Fig. 14.17: a bobbin D cell gives 19.0 Ah at 4 mA, 17.0 Ah at 0.2 mA.

    What it loses at 0.2 mA is self-discharge over its 9.7 years, 1.0856 %/year, and that is counted apart.
    """
    cell = load_chemistry("li-socl2")
    shares = cell.usable_frac(20.0, np.array([35, 20, 4, 1, 0.2, 0.01]) / 19_000)
    assert_allclose(shares[:3], np.array([7, 13.5, 19.0]) / 19.0, atol=0.01)
    assert_allclose(shares[3:], 1.0)
    years = 17.0 / 0.2e-3 / H_PER_YEAR
    assert_allclose([years, (19.0 - 17.0) / 19.0 / years * 100], [9.6966, 1.0856], atol=1e-4)
    assert abs(cell.self_discharge_per_year.mean - 0.010856) < cell.self_discharge_per_year.sd


def test_temperature_factors() -> None:
    """Source: textbook: Q10 = 2 from 20 to 35 °C; the activation energy that gives it between 20 and 30 °C."""
    assert_allclose(2 ** ((35 - 20) / 10), 2.828427, atol=1e-6)
    energy = energy_of_q10_kj_per_mol(2.0)
    assert energy == pytest.approx(51.217, abs=1.5e-3)
    assert_allclose(arrhenius_factor([30.0, 35.0, -10.0], energy_kj_per_mol=energy), [2.0, 2.7823, 0.0911], rtol=6e-4)


TABLE = Curve(
    name="made",
    dod_frac=1.0 - np.array([1.0, 0.9, 0.5, 0.1, 0.0]),
    mv=np.array([3050.0, 2950.0, 2850.0, 2600.0, 2000.0]),
    weight=1.0,
    loaded=False,
    source="made",
    mark="F",
)


def test_charge_by_voltage() -> None:
    """Source: arithmetic on the table 0 : 2.0, .1 : 2.6, .5 : 2.85, .9 : 2.95, 1 : 3.05 V."""
    assert_allclose(1 - TABLE.dod_at([2900.0, 2950.0]), [0.7, 0.9], atol=1e-12)
    plateau = (TABLE.dod_at(2890.0) - TABLE.dod_at(2910.0)) / 2
    knee = (TABLE.dod_at(2290.0) - TABLE.dod_at(2310.0)) / 2
    assert_allclose([plateau, knee], [0.04, 0.0016667], atol=1e-6)  # ± 10 mV


def test_loaded_voltage_is_not_rest_voltage() -> None:
    """Source: arithmetic: 2.95 V at rest and 2.71 V at 30 mA are 8 Ω; 2.71 V taken for rest says .276 instead of .9."""
    assert pytest.approx(8.0) == (2950 - 2710) / 30
    assert_allclose(1 - TABLE.dod_at([2710.0, 2710.0 + 8.0 * 30]), [0.276, 0.9], atol=1e-12)


def test_voltage_and_charge_go_there_and_back() -> None:
    dod = np.linspace(0, 1, 41)
    assert_allclose(TABLE.dod_at(TABLE.at(dod)), dod, atol=1e-12)


def test_loss_rates() -> None:
    """Source: Clopper–Pearson and Wilson; statsmodels `proportion_confint` agrees."""
    assert_allclose(share_limits(23, 1000), (0.0146346, 0.0343123), atol=5e-8)
    assert_allclose(wilson_limits(23, 1000), (0.0153743, 0.0342765), atol=5e-8)
    assert_allclose(share_limits(23, 1000), proportion_confint(23, 1000, method="beta"))
    assert_allclose(wilson_limits(23, 1000), proportion_confint(23, 1000, method="wilson"))
    assert share_limits(0, 100, confidence=0.90)[1] == pytest.approx(0.0295, abs=5e-5)  # one-sided 95 %


def test_loss_in_bursts() -> None:
    """Source: Gilbert, Bell Syst. Tech. J. 39 (1960) 1253: p .01, r .2; found again in a made chain."""
    found = burst_loss(0.01, 0.2)
    assert_allclose([found.loss_frac, found.burst_count, found.variance_ratio], [0.047619, 5, 8.5238], atol=5e-5)
    rng = np.random.default_rng(10)
    heard, state = np.empty(200_000, dtype=bool), True
    for place, draw in enumerate(rng.random(200_000)):
        state = draw >= 0.01 if state else draw < 0.2
        heard[place] = state
    assert_allclose(burst_rates(heard), (0.01, 0.2), rtol=0.05)


def test_two_gateways() -> None:
    """Source: Chapman 1951 (from memory): 50 and 60 heard, 20 by both; the plain ratio says 150."""
    assert_allclose(sent_by_two_gateways(50, 60, 20), (147.142857, 384.787), atol=5e-4)


def test_clock_rate_by_the_lower_line() -> None:
    """Source: Moon, Skelly and Towsley 1999 (method); six points with a true 20 ppm; least squares says 29.142857."""
    at = np.arange(6) * 1000.0
    arrived = at * (1 + 20e-6) + np.array([0, 0.04, 0.01, 0.09, 0.12, 0])
    assert skew_ppm(at, arrived) == pytest.approx(20.0, abs=1e-4)
    assert np.polyfit(at, arrived - at, 1)[0] * 1e6 == pytest.approx(29.142857, abs=1e-5)


def test_clock_rate_under_a_growing_queue() -> None:
    """Source: simulation, 14 days at 10 minutes, growing delay: the lower line keeps to .01 ppm, least squares not."""
    rng = np.random.default_rng(11)
    off, square = [], []
    for _ in range(30):
        at = np.arange(0, 14 * 86_400, 600.0)
        delay = rng.exponential(0.05 + 0.15 * at / at[-1])
        arrived = at * (1 + 20e-6) + delay
        off.append(skew_ppm(at, arrived) - 20)
        square.append(np.polyfit(at, arrived - at, 1)[0] * 1e6 - 20)
    assert np.sqrt(np.mean(np.square(off))) < 0.01
    assert np.sqrt(np.mean(np.square(square))) > 0.05


def test_clock_drift() -> None:
    """Source: 20 ppm are 1.728 s a day, 12.096 a week, 53.568 in 31 days (a bio-logging paper of 2024 prints 53.6)."""
    assert_allclose([drift_s(20.0, days * 86_400) for days in (1, 7, 31)], [1.728, 12.096, 53.568], atol=1e-9)


def test_no_clock_rate_from_one_moment() -> None:
    assert np.isnan(skew_ppm([5.0], [6.0]))
    assert np.isnan(skew_ppm([5.0, 5.0], [6.0, 7.0]))


def test_every_built_in_figure_has_a_source_and_a_mark() -> None:
    for path in (Path(__file__).parents[2] / "fleet" / "profiles" / "chemistry").glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        assert text.count("mark = ") >= 8, path
        assert text.count("source = ") >= 8, path
