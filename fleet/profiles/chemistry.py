"""Cells of one chemistry: voltage, resistance, temperature, self-discharge and usable share, each with its spread.

Everything is per cell. Arrays go in and arrays of the same shape come out. Depth of discharge (`dod_frac`) runs from 0,
fresh, to 1, where the curve ends; `1 - dod_frac` is the share of charge left.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.errors import SetupError
from fleet.profiles.profile import Figure
from fleet.units import D_PER_YEAR

FloatArray = NDArray[np.float64]
REFERENCE_C = 20.0
FOLDER = Path(__file__).with_name("chemistry")
MARKS = {
    "M": "measured",
    "F": "found in the named document",
    "P": "computed from a published model",
    "R": "recollected, wide prior",
}


@dataclass(frozen=True)
class Line:
    """A figure against one quantity, straight between its points and level beyond them."""

    x: FloatArray
    y: FloatArray
    sd: float = 0.0  # of the figure; of its logarithm where the table says so
    source: str = ""
    mark: str = "R"

    def at(self, x: ArrayLike) -> FloatArray:
        """Value at each x."""
        return np.asarray(np.interp(np.asarray(x, dtype=float), self.x, self.y), dtype=float)


@dataclass(frozen=True)
class Curve:
    """One candidate: resting (or lightly loaded) voltage of a cell against depth of discharge at 20 °C."""

    name: str
    dod_frac: FloatArray
    mv: FloatArray
    weight: float
    loaded: bool  # read under radio load: lies below the resting curve by an unknown sag
    source: str
    mark: str

    def at(self, dod_frac: ArrayLike) -> FloatArray:
        """Voltage at each depth of discharge. [mV]"""
        return np.asarray(np.interp(np.asarray(dod_frac, dtype=float), self.dod_frac, self.mv), dtype=float)

    def dod_at(self, mv: ArrayLike) -> FloatArray:
        """Depth of discharge at each voltage; on a level stretch, its middle is not known and its end is given."""
        return np.asarray(np.interp(-np.asarray(mv, dtype=float), -self.mv, self.dod_frac), dtype=float)


@dataclass(frozen=True)
class Chemistry:
    """One kind of cell. Several candidate curves are kept, because published cells of one chemistry differ.

    Examples
    --------
    >>> li_ion = load_chemistry("li-ion")
    >>> li_ion.voltage_mv(np.array([0.0, 0.5, 1.0])).shape
    (3,)
    >>> bool(li_ion.curve_spread_mv(0.5) > 30)
    True
    """

    name: str
    title: str
    nominal_mv: float
    fresh_mv: float  # highest voltage a fresh cell shows at rest
    cutoff_mv: float  # common cut-off of the cell
    rechargeable: bool
    curves: tuple[Curve, ...]
    cell_sd_mv: float  # of one cell about its candidate curve: a shift of the whole curve
    resistance_mohm: Figure  # fresh, 20 °C, of a cell of `resistance_of_mah`
    resistance_of_mah: float
    resistance_by_dod: Line  # factor
    resistance_by_temp: Line  # factor; `sd` is of its logarithm
    mv_per_k: Line  # against dod_frac; `sd` in mV/K
    self_discharge_per_year: Figure  # fraction at 20 °C
    q10: Figure  # factor of self-discharge for 10 K
    usable_by_temp: Line  # share against °C
    usable_by_load: Line  # share against mean current over capacity [1/h]
    measured_over_printed: Figure  # capacity prior where only the printed capacity is known
    brand_over_printed: Figure  # the same where a maker's data sheet stands behind it
    recollected: tuple[str, ...] = ()  # tables that rest on memory: wide priors, to be told to the reader
    sources: dict[str, str] = field(default_factory=dict)

    def resting_curves(self) -> tuple[Curve, ...]:
        """Candidates read at rest or lightly loaded; all of them where there is no such one."""
        return tuple(curve for curve in self.curves if not curve.loaded) or self.curves

    def weights(self) -> FloatArray:
        """Prior weight of each resting candidate, sum 1. Shape (n_curves,)"""
        weight = np.array([curve.weight for curve in self.resting_curves()])
        return np.asarray(weight / weight.sum(), dtype=float)

    def curves_mv(self, dod_frac: ArrayLike) -> FloatArray:
        """Voltage by each resting candidate at 20 °C. [mV], shape (n_curves, *dod_frac.shape)"""
        return np.stack([curve.at(dod_frac) for curve in self.resting_curves()])

    def voltage_mv(self, dod_frac: ArrayLike, temp_c: ArrayLike = REFERENCE_C) -> FloatArray:
        """Mean resting voltage over the candidates, at a temperature. [mV]"""
        mean = np.tensordot(self.weights(), self.curves_mv(dod_frac), axes=1)
        shift = self.temp_shift_mv(dod_frac, temp_c)
        return np.asarray(mean + shift, dtype=float)

    def curve_spread_mv(self, dod_frac: ArrayLike) -> FloatArray:
        """Standard deviation between the candidates at each depth. [mV]"""
        values = self.curves_mv(dod_frac)
        mean = np.tensordot(self.weights(), values, axes=1)
        return np.sqrt(np.tensordot(self.weights(), (values - mean) ** 2, axes=1))

    def spread_mv(self, dod_frac: ArrayLike) -> FloatArray:
        """Standard deviation of a cell's resting voltage about the mean curve: candidates and cells together. [mV]"""
        return np.hypot(self.curve_spread_mv(dod_frac), self.cell_sd_mv)

    def slope_mv(self, dod_frac: ArrayLike, step: float = 0.02) -> FloatArray:
        """Fall of the mean curve for a whole discharge, taken over ± `step` about each depth; never below 0. [mV]"""
        dod = np.asarray(dod_frac, dtype=float)
        low, high = np.clip(dod - step, 0, 1), np.clip(dod + step, 0, 1)
        return np.maximum(self.voltage_mv(low) - self.voltage_mv(high), 0.0) / (high - low)

    def dod_at_mv(self, mv: ArrayLike) -> FloatArray:
        """Depth of discharge by each resting candidate at 20 °C. Shape (n_curves, *mv.shape)"""
        return np.stack([curve.dod_at(mv) for curve in self.resting_curves()])

    def temp_shift_mv(self, dod_frac: ArrayLike, temp_c: ArrayLike) -> FloatArray:
        """What the temperature adds to the resting voltage at 20 °C. [mV]"""
        return np.asarray(self.mv_per_k.at(dod_frac) * (np.asarray(temp_c, dtype=float) - REFERENCE_C), dtype=float)

    def cell_resistance_mohm(
        self,
        dod_frac: ArrayLike,
        temp_c: ArrayLike = REFERENCE_C,
        *,
        capacity_mah: float | None = None,
        fresh_mohm: ArrayLike | None = None,
    ) -> FloatArray:
        """Resistance of one cell under a radio burst. [mΩ]

        Parameters
        ----------
        capacity_mah
            Printed capacity of the cell; a smaller cell of the same make resists more, in proportion. [mAh]
        fresh_mohm
            Resistance of the fresh cell at 20 °C, if known better than by chemistry. [mΩ]

        Notes
        -----
        Left out: passivation after long sleep, rise within one burst.
        """
        if fresh_mohm is None:
            fresh_mohm = self.resistance_mohm.mean * (self.resistance_of_mah / capacity_mah if capacity_mah else 1.0)
        return np.asarray(
            np.asarray(fresh_mohm, dtype=float)
            * self.resistance_by_dod.at(dod_frac)
            * self.resistance_by_temp.at(temp_c),
            dtype=float,
        )

    @property
    def resistance_log_sd(self) -> float:
        """Standard deviation of the logarithm of a fresh cell's resistance, known by chemistry alone."""
        spread = self.resistance_mohm.sd / self.resistance_mohm.mean
        return float(np.sqrt(np.log1p(spread**2)))

    def q10_factor(self, temp_c: ArrayLike) -> FloatArray:
        """How many times faster than at 20 °C a cell discharges itself.

        >>> round(float(load_chemistry("alkaline").q10_factor(35.0)), 3)   # 2 ** 1.5
        2.828
        """
        return np.asarray(self.q10.mean ** ((np.asarray(temp_c, dtype=float) - REFERENCE_C) / 10.0), dtype=float)

    def self_discharge_per_d(self, factor_q10_2: ArrayLike = 1.0) -> FloatArray:
        """Share of what is left that a cell loses in a day. [1/d]

        Parameters
        ----------
        factor_q10_2
            Mean of ``2 ** ((temp_c - 20) / 10)`` over the day: the day frame's `temp_factor_q10`.

        Notes
        -----
        For a Q10 other than 2 the mean factor is raised to log2(Q10), which slightly understates wide day swings.
        """
        factor = np.asarray(factor_q10_2, dtype=float) ** np.log2(self.q10.mean)
        return np.asarray(-np.expm1(np.log1p(-self.self_discharge_per_year.mean) / D_PER_YEAR * factor), dtype=float)

    def usable_frac(self, temp_c: ArrayLike = REFERENCE_C, rate_per_h: ArrayLike = 0.0) -> FloatArray:
        """Share of the charge at 20 °C and light load that can be had at a temperature and mean load.

        Parameters
        ----------
        rate_per_h
            Mean current divided by capacity. [mA/mAh = 1/h]

        Notes
        -----
        Level below the lightest load of the table: a rate law is never carried on to microamperes.
        """
        return np.asarray(self.usable_by_temp.at(temp_c) * self.usable_by_load.at(rate_per_h), dtype=float)


def chemistry_names() -> tuple[str, ...]:
    """Names of the built-in chemistries.

    >>> chemistry_names()
    ('alkaline', 'li-fes2', 'li-ion', 'li-mno2', 'li-socl2', 'lifepo4', 'nimh')
    """
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


@functools.lru_cache(maxsize=64)
def _load(path: Path, _changed_ns: int) -> Chemistry:
    from fleet.profiles.chemistry_file import read_chemistry  # the reader needs the classes above

    return read_chemistry(path)


def load_chemistry(name_or_path: str | Path) -> Chemistry:
    """A built-in chemistry by name, or one's own table by path.

    Raises
    ------
    SetupError
        If there is no such chemistry or file, or the table is wrong.
    """
    builtin = FOLDER / f"{name_or_path}.toml"
    path = builtin if builtin.is_file() and str(name_or_path) in chemistry_names() else Path(name_or_path)
    if not path.is_file():
        names = ", ".join(chemistry_names())
        raise SetupError(
            f"chemistry {str(name_or_path)!r}: not built in ({names}) and no file. Correct the name or path."
        )
    return _load(path, path.stat().st_mtime_ns)
