"""Astronomical tide as a sum of five constituents at their published speeds."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fleet.units import S_PER_H

FloatArray = NDArray[np.float64]

SPEED_DEG_PER_H: Mapping[str, float] = MappingProxyType(
    {"M2": 28.9841042, "S2": 30.0, "N2": 28.4397295, "K1": 15.0410686, "O1": 13.9430356}
)
"""Speeds of the constituents, degrees per hour.

Source: P. Schureman, Manual of Harmonic Analysis and Prediction of Tides, Special Publication 98, U.S. Coast and
Geodetic Survey, 1940 (reprinted 1958), table 2; the same figures stand in every table of harmonic constituents.
"""


def tide(t_s: FloatArray, amplitude: Mapping[str, float], phase_deg: Mapping[str, float]) -> FloatArray:
    """Height above mean level, in the unit of the amplitudes.

    Parameters
    ----------
    t_s
        Moments, seconds since 1970 UTC. [s]
    amplitude
        Half range of each constituent, by name.
    phase_deg
        Where each constituent stands at t_s = 0; 0 where not named. [°]

    Notes
    -----
    Left out: the 18.6-year nodal factors (within 4 % for M2 over the half year of the demo),
    shallow-water overtides.

    Examples
    --------
    Half a period of S2 (6 h) after its peak, the level is at its lowest:

    >>> tide(np.array([0.0, 21600.0]), {"S2": 0.5}, {})
    array([ 0.5, -0.5])
    """
    height = np.zeros_like(t_s, dtype=float)
    for name, half_range in amplitude.items():
        turn_deg = SPEED_DEG_PER_H[name] / S_PER_H * t_s - phase_deg.get(name, 0.0)
        height += half_range * np.cos(np.radians(turn_deg))
    return height
