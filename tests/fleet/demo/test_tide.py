"""Tide of the demo against published figures."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.demo.tide import SPEED_DEG_PER_H, tide
from fleet.units import S_PER_H

PUBLISHED_PERIOD_H = {"M2": 12.4206012, "S2": 12.0, "N2": 12.65834751, "K1": 23.93447213, "O1": 25.81933871}
"""Periods in solar hours as printed in the public table of harmonic constituents (theory of tides), from memory."""


@pytest.mark.parametrize("name", PUBLISHED_PERIOD_H)
def test_speed_is_a_turn_divided_by_the_published_period(name: str) -> None:
    """Speeds come from Schureman (1940) table 2, periods from another table: each must give the other."""
    assert SPEED_DEG_PER_H[name] == pytest.approx(360.0 / PUBLISHED_PERIOD_H[name], abs=2e-6)


def test_n2_runs_behind_m2_by_the_moon_s_anomalistic_month() -> None:
    """M2 and N2 come together again after one anomalistic month of 27.554 55 d (textbook figure)."""
    together_d = 360.0 / (SPEED_DEG_PER_H["M2"] - SPEED_DEG_PER_H["N2"]) / 24
    assert together_d == pytest.approx(27.55455, abs=2e-4)


def test_springs_return_after_half_a_synodic_month() -> None:
    """M2 and S2 come together after half of 29.530 59 d (textbook figure)."""
    together_d = 360.0 / (SPEED_DEG_PER_H["S2"] - SPEED_DEG_PER_H["M2"]) / 24
    assert together_d == pytest.approx(29.53059 / 2, abs=2e-4)


def test_tide_of_one_constituent_is_a_cosine_of_its_amplitude() -> None:
    t_s = np.arange(0, 30 * 24) * S_PER_H
    assert tide(t_s, {"M2": 1.5}, {"M2": 30.0}).max() == pytest.approx(1.5, abs=0.01)


def test_no_constituents_is_no_tide() -> None:
    assert not tide(np.arange(3.0), {}, {}).any()
