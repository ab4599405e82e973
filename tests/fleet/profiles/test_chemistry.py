"""Chemistries: built-in ones are whole and honest about their sources; a wrong table is refused with its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from fleet.errors import SetupError
from fleet.profiles.chemistry import FOLDER, MARKS, chemistry_names, load_chemistry

ALKALINE = (FOLDER / "alkaline.toml").read_text(encoding="utf-8")
DOD = np.linspace(0, 1, 51)


@pytest.mark.parametrize("name", chemistry_names())
def test_a_built_in_chemistry_is_whole(name: str) -> None:
    cell = load_chemistry(name)
    voltage = cell.voltage_mv(DOD)
    assert np.all(np.diff(voltage) <= 1e-9)
    assert np.all(cell.spread_mv(DOD) > 0)
    assert np.all(np.diff(cell.cell_resistance_mohm(DOD)) >= 0)
    assert cell.cell_resistance_mohm(0.5, -20.0) > 2 * cell.cell_resistance_mohm(0.5, 20.0)
    assert cell.usable_frac(-20.0) < cell.usable_frac(20.0) == 1.0
    assert 0 < cell.self_discharge_per_d(1.0) < 2e-3
    assert cell.cutoff_mv < cell.fresh_mv
    assert_allclose(cell.weights().sum(), 1.0)
    assert {curve.mark for curve in cell.curves} <= set(MARKS)
    assert all(curve.source in cell.sources for curve in cell.curves)


def test_published_cells_of_one_chemistry_are_kept_apart() -> None:
    """Source: nine published Li-ion parameter sets span 3688 to 3828 mV at half charge."""
    curves = [curve for curve in load_chemistry("li-ion").curves if curve.source == "S9"]
    half = [float(curve.at(0.5)) for curve in curves]
    assert (len(half), min(half), max(half)) == (9, 3688, 3828)


def test_curves_equal_their_printed_points() -> None:
    """Source: open 18-month recording of a node on two AA cells, as millivolts a cell: 1350 at half its life."""
    curve = next(one for one in load_chemistry("alkaline").curves if one.mark == "M")
    assert_allclose(curve.at([0.0, 0.5, 1.0]), [1495, 1350, 1080])
    assert_allclose(curve.dod_at([1495, 1350, 1080]), [0.0, 0.5, 1.0])


def test_consumer_packs_hold_less_than_printed() -> None:
    """Source: 74 tests of consumer Li-ion packs: median 0.80, middle half 0.69 to 0.92."""
    prior = load_chemistry("li-ion").measured_over_printed
    assert prior.mean == pytest.approx(0.80)
    assert prior.sd == pytest.approx((0.92 - 0.69) / 1.349, abs=0.02)


def test_recollected_figures_are_named_as_such() -> None:
    assert "curve" in load_chemistry("li-fes2").recollected
    assert "curve" not in load_chemistry("li-ion").recollected


def test_self_discharge_of_a_year_at_20_degrees_is_that_of_the_table() -> None:
    cell = load_chemistry("alkaline")
    assert_allclose((1 - cell.self_discharge_per_d(1.0)) ** 365.25, 1 - cell.self_discharge_per_year.mean)


def test_a_smaller_cell_resists_more() -> None:
    cell = load_chemistry("li-ion")
    assert_allclose(cell.cell_resistance_mohm(0.0, capacity_mah=250.0), 10 * cell.resistance_mohm.mean)
    assert_allclose(cell.cell_resistance_mohm(0.0, fresh_mohm=300.0), 300.0)


def test_temperature_moves_the_resting_voltage() -> None:
    """Source: the same recording: −0.35 mV/K a fresh cell."""
    cell = load_chemistry("alkaline")
    assert_allclose(cell.voltage_mv(0.0, 30.0) - cell.voltage_mv(0.0, 20.0), -3.5)


WRONG = [
    ("1435, 1410,", "1410, 1435,", ["[[curve]] 1 mv", "rises from 1410 to 1435", "between depth 0.2 and 0.3"]),
    ("dod_frac = [0, 0.05, 0.1, 0.2", "dod_frac = [0, 0.05, 0.2, 0.1", ["[[curve]] 1 dod_frac", "Sort them"]),
    ("dod_frac = [0, 0.05,", "dod_frac = [0.01, 0.05,", ["expected 0 to 1"]),
    ("1495, 1475,", "1495,", ["[[curve]] 1", "13 values of dod_frac but 12 of mv"]),
    ("per_year_frac = {mean = 0.025", "per_year_frac = {mean = 2.5", ["per_year_frac", "not per cent"]),
    ("nominal_mv = 1500", "nominal_mv = 0", ["nominal_mv", "above 0"]),
    ("[resistance.by_temp]", "[resistance.by_temperature]", ["[resistance.by_temp] is missing"]),
    ('mark = "M"', 'mark = "X"', ["mark", "'X'"]),
    ("[[curve]]", "[[curves]]", ["no [[curve]]"]),
    ("share = [0.1,", "share = [-0.1,", ["[usable.by_temp] share", "above 0"]),
]


@pytest.mark.parametrize(("old", "new", "told"), WRONG, ids=[new for _, new, _ in WRONG])
def test_a_wrong_table_is_refused(tmp_path: Path, old: str, new: str, told: list[str]) -> None:
    assert old in ALKALINE
    path = tmp_path / "own.toml"
    path.write_text(ALKALINE.replace(old, new), encoding="utf-8")
    with pytest.raises(SetupError) as caught:
        load_chemistry(path)
    for part in (str(path), *told):
        assert part in str(caught.value)


def test_an_edited_table_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(ALKALINE, encoding="utf-8")
    assert load_chemistry(path).cutoff_mv == 900
    path.write_text(ALKALINE.replace("cutoff_mv = 900", "cutoff_mv = 950"), encoding="utf-8")
    assert load_chemistry(path).cutoff_mv == 950


def test_an_unknown_chemistry_is_told() -> None:
    with pytest.raises(SetupError, match="'unobtainium': not built in"):
        load_chemistry("unobtainium")
