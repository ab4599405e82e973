"""A discharge computed by PyBaMM (Sulzer et al., J. Open Res. Software 9 (2021) 14; BSD-3), read by our estimator.

Its single-particle model with the parameters of Chen et al., J. Electrochem. Soc. 167 (2020) 080534. Needs `pybamm`;
the candidate curves that come from the same cell are left out, so the cell is one that nobody published.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from fleet.daily.rollup import roll_up
from fleet.estimates.fleet import estimate_fleet
from fleet.frames import EVENT, NODE, SETTING, empty_frame
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Figure, Measure, Profile, Sleep, Wake

FloatArray = NDArray[np.float64]
SAME_CELL = ("Chen2020", "OKane2022")
CUTOFF_MV = 3200.0
LIFE_D = 240.0
DAY0, S_PER_D = 20_000, 86_400.0
SLOWNESS_H = 400.0  # hours of the discharge computed: so slow that the voltage is the resting one


@pytest.fixture(scope="module")
def discharge() -> tuple[FloatArray, float]:
    """Hourly voltage of a cell that carries a steady drain for LIFE_D days [mV], and its usable charge [mAh]."""
    pybamm = pytest.importorskip("pybamm", reason="PyBaMM is not installed: pip install pybamm")
    figures = pybamm.ParameterValues("Chen2020")
    current_a = float(figures["Nominal cell capacity [A.h]"]) / SLOWNESS_H
    figures["Current function [A]"] = current_a
    run = pybamm.Simulation(pybamm.lithium_ion.SPM(), parameter_values=figures)
    solved = run.solve([0.0, 1.2 * SLOWNESS_H * 3600.0], initial_soc=1.0)
    hour, mv = solved["Time [h]"].entries, 1000.0 * solved["Terminal voltage [V]"].entries
    even = np.linspace(0.0, hour[-1], 5_000)
    along = np.interp(even, hour, mv)
    dead = int(np.argmax(along < CUTOFF_MV))
    steps = np.linspace(0.0, dead, int(LIFE_D * 24.0))
    return np.interp(steps, np.arange(len(along)), along), float(current_a * 1000.0 * even[dead])


def forecast(mv: FloatArray, usable_mah: float, *, share: float) -> pd.Series:
    """The estimate at a share of the life: the deployer printed 8 % too much and guessed the drain 10 % too low."""
    count = int(share * len(mv))
    noise = np.random.default_rng(3).normal(0.0, 5.0, count)
    t = DAY0 * S_PER_D + np.arange(count) * 3600.0 + 60.0
    columns = {"node_id": np.ones(count, dtype=int), "t": t, "arrived": t, "boot": np.ones(count, dtype=int)}
    columns |= {"seq": np.arange(count), "cause": np.zeros(count, dtype=int), "batt_mv": mv[:count] + noise}
    days = pd.DataFrame(roll_up(columns | {"temp_c": np.full(count, 25.0)}))
    wake_mah = 0.9 * usable_mah / LIFE_D / 24.0
    kind = Profile(
        profile="made",
        sleep=Sleep(current_ua=Figure(1.0)),
        wake=Wake(current_ma=Figure(120.0), length_ms=Figure(wake_mah * 3.6e6 / 120.0)),
        battery=Battery(chemistry="li-ion", capacity_mah=Figure(1.08 * usable_mah), cutoff_mv=CUTOFF_MV),
        measure=Measure(gain_sd=0.01, step_mv=4.0),
    )
    nodes = pd.DataFrame({name: [np.nan] for name in NODE})
    nodes = nodes.assign(node_id=1, node="made", profile="made", chemistry="", site="", fitted=DAY0 * S_PER_D)
    made = estimate_fleet(
        days,
        nodes,
        {"made": kind},
        empty_frame(EVENT),
        as_of_at=datetime.fromtimestamp(DAY0 * S_PER_D + share * LIFE_D * S_PER_D, UTC),
        since_at=None,
        settings=empty_frame(SETTING),
        chemistries={"li-ion": load_chemistry("li-ion")},
        without={"made": SAME_CELL},
    )
    return made.nodes.iloc[0]


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_the_truth_lies_within_the_intervals(discharge: tuple[FloatArray, float], share: float) -> None:
    """Truth by the drain being steady: what is left is 1 - share, and so are the days."""
    node = forecast(*discharge, share=share)
    assert node.charge_left_lo <= 1.0 - share <= node.charge_left_hi
    assert node.days_left_p10 <= (1.0 - share) * LIFE_D <= node.days_left_p90
