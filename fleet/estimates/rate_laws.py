"""Laws of rate and temperature, and where they stop holding: life under a steady drain, Peukert, Arrhenius."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.errors import EstimateError
from fleet.units import D_PER_YEAR, H_PER_D, KELVIN_OFFSET_C, UA_PER_MA

FloatArray = NDArray[np.float64]
GAS_J_PER_MOL_K = 8.31446261815324  # exact in the SI since 2019
H_PER_YEAR = D_PER_YEAR * H_PER_D


def life_h(charge_mah: ArrayLike, mean_current_ua: ArrayLike, *, loss_per_year: ArrayLike = 0.0) -> FloatArray:
    """Hours until a steady drain and self-discharge have used up a charge.

    Parameters
    ----------
    loss_per_year
        Rate at which a cell loses what is left, taken as continuous. [1/year]

    Notes
    -----
    From dQ/dt = −I − s Q the life is ln(1 + s Q / I) / s. Left out: temperature, cut-off under load.

    Examples
    --------
    >>> round(float(life_h(2400.0, 33.577778)), 2)
    71475.84
    """
    plain = np.asarray(charge_mah, dtype=float) * UA_PER_MA / np.asarray(mean_current_ua, dtype=float)
    rate = np.asarray(loss_per_year, dtype=float) / H_PER_YEAR
    return np.asarray(np.where(rate > 0, np.log1p(rate * plain) / np.where(rate > 0, rate, 1.0), plain), dtype=float)


def peukert_exponent(small_ma: float, at_small_mah: float, large_ma: float, at_large_mah: float) -> float:
    """Exponent k from two capacities at two currents, of I^k t = constant.

    >>> round(peukert_exponent(25, 2900, 500, 1400), 6)
    1.243092
    """
    return float(1.0 + np.log(at_small_mah / at_large_mah) / np.log(large_ma / small_ma))


def peukert_h(
    capacity_mah: float, rated_h: float, current_ma: float, *, exponent: float, measured_from_ma: float
) -> float:
    """Hours a cell gives at a current, by Peukert's law.

    Parameters
    ----------
    measured_from_ma
        Smallest current that the law was fitted to. [mA]

    Raises
    ------
    EstimateError
        Below that current: there the law promises more charge than the cell holds, and self-discharge rules.

    Examples
    --------
    100 Ah at 20 h, drawn at 10 A with k = 1.2:

    >>> round(peukert_h(100_000, 20.0, 10_000, exponent=1.2, measured_from_ma=5_000), 6)
    8.705506
    """
    if current_ma < measured_from_ma:
        raise EstimateError(
            f"Peukert's law: asked for {current_ma:g} mA, fitted from {measured_from_ma:g} mA up; expected no "
            "less, for below it promises more than the cell holds. Use the capacity at light load and self-discharge."
        )
    rated_ma = capacity_mah / rated_h
    return float(rated_h * (rated_ma / current_ma) ** exponent)


def arrhenius_factor(temp_c: ArrayLike, *, reference_c: float = 20.0, energy_kj_per_mol: float) -> FloatArray:
    """How many times faster than at the reference a reaction runs.

    >>> arrhenius_factor([35.0, -10.0], energy_kj_per_mol=51.217).round(4)
    array([2.7812, 0.0911])
    """
    kelvin, reference = np.asarray(temp_c, dtype=float) + KELVIN_OFFSET_C, reference_c + KELVIN_OFFSET_C
    energy = energy_kj_per_mol * 1000.0 / GAS_J_PER_MOL_K
    return np.asarray(np.exp(energy * (1.0 / reference - 1.0 / kelvin)), dtype=float)


def energy_of_q10_kj_per_mol(q10: float, *, reference_c: float = 20.0) -> float:
    """Activation energy that gives this factor for the 10 K above the reference.

    >>> round(energy_of_q10_kj_per_mol(2.0), 3)
    51.216
    """
    low, high = reference_c + KELVIN_OFFSET_C, reference_c + 10.0 + KELVIN_OFFSET_C
    return float(GAS_J_PER_MOL_K * np.log(q10) / (1.0 / low - 1.0 / high) / 1000.0)
