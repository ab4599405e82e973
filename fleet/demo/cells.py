"""The true battery of a demo node: one cell drawn from its chemistry, with a charge that is known exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.profiles.chemistry import Chemistry, load_chemistry
from fleet.profiles.profile import Battery
from fleet.units import MV_PER_V

FloatArray = NDArray[np.float64]
CELL_SPREAD_FRAC = 0.04  # of capacity, where the profile tells none. Invented, plausible.
RESISTANCE_LOG_SD = 0.15  # part to part. Invented, plausible.
KNEE_DOD_FRAC = 0.97  # beyond the end of a published curve a cell collapses: invented, 30 mV a percent
KNEE_MV = 3000.0
GRID_DOD_FRAC = np.linspace(0.0, 1.2, 1201)


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One pack as it really is."""

    chemistry: Chemistry
    series: int
    capacity_mah: float  # of the pack, at 20 °C and light load
    cutoff_mv: float
    resistance_mohm: float  # of the pack, fresh, 20 °C
    curve_index: int
    shift_mv: float  # of one cell about its curve

    def rest_mv(self, used_mah: ArrayLike, temp_c: ArrayLike) -> FloatArray:
        """Voltage of the pack with the radio off. [mV]"""
        dod = np.asarray(used_mah, dtype=float) / self.capacity_mah
        curve = self.chemistry.resting_curves()[self.curve_index]
        cell_mv = curve.at(np.clip(dod, 0, 1)) + self.chemistry.temp_shift_mv(np.clip(dod, 0, 1), temp_c)
        fall_mv = KNEE_MV * np.maximum(dod - KNEE_DOD_FRAC, 0.0)
        return np.maximum(self.series * (cell_mv + self.shift_mv - fall_mv), 0.0)

    def sag_mv(self, used_mah: ArrayLike, temp_c: ArrayLike, current_ma: ArrayLike) -> FloatArray:
        """How far the voltage falls under a load. [mV]"""
        dod = np.clip(np.asarray(used_mah, dtype=float) / self.capacity_mah, 0, 1)
        ohm = self.chemistry.cell_resistance_mohm(dod, temp_c, fresh_mohm=self.resistance_mohm) / MV_PER_V
        return np.asarray(ohm * np.asarray(current_ma, dtype=float), dtype=float)

    def usable_mah(self, load_ma: float, temp_c: float = 20.0) -> float:
        """Charge until the pack under this load falls below its cut-off. [mAh]"""
        used = GRID_DOD_FRAC * self.capacity_mah
        loaded = self.rest_mv(used, temp_c) - self.sag_mv(used, temp_c, load_ma)
        below = np.flatnonzero(loaded < self.cutoff_mv)
        return float(used[below[0]]) if below.size else float(used[-1])


def drawn_cell(battery: Battery, rng: np.random.Generator, *, weak_frac: float = 1.0) -> Cell:
    """One pack of the kind the profile names; `weak_frac` below 1 makes it hold less than was fitted."""
    chemistry = load_chemistry(battery.chemistry)
    spread_frac = battery.capacity_mah.sd / battery.capacity_mah.mean or CELL_SPREAD_FRAC
    if battery.resistance_mohm is None:
        fresh_mohm = float(chemistry.cell_resistance_mohm(0.0, capacity_mah=battery.capacity_mah.mean))
        pack_mohm = fresh_mohm * battery.series / battery.parallel
    else:
        pack_mohm = battery.resistance_mohm.mean
    return Cell(
        chemistry=chemistry,
        series=battery.series,
        capacity_mah=battery.capacity_mah.mean
        * battery.parallel
        * weak_frac
        * (1 + spread_frac * rng.standard_normal()),
        cutoff_mv=battery.cutoff_mv,
        resistance_mohm=pack_mohm * float(np.exp(RESISTANCE_LOG_SD * rng.standard_normal())),
        curve_index=int(rng.choice(len(chemistry.resting_curves()), p=chemistry.weights())),
        shift_mv=chemistry.cell_sd_mv * float(rng.standard_normal()),
    )
