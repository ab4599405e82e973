"""Temperature of every node-day and what follows it: sleep current and self-discharge by their mean factor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleet.daily.grid import DayGrid
from fleet.daily.groups import FloatArray
from fleet.profiles.chemistry import REFERENCE_C, Chemistry


@dataclass(frozen=True)
class Weather:
    """Arrays of shape (n_nodes, n_days)."""

    temp_c: FloatArray  # mean; filled between days known, 20 where a node tells none
    told: np.ndarray  # whether the node's own records told it that day
    sleep_factor: FloatArray  # of the sleep current, against 20 °C
    self_discharge_per_d: FloatArray  # share of what is left lost in a day


def day_weather(grid: DayGrid, chemistries: Sequence[Chemistry | None] | None, sleep_q10: FloatArray) -> Weather:
    """Temperature and mean temperature factors of each node-day.

    Notes
    -----
    The day row holds the mean of ``2 ** ((T - 20) / 10)``; for another Q10 it is raised to log2(Q10).
    With a day swing of ± 15 K the mean factor is 1.29 times the factor of the mean (I0(1.5 ln 2), textbook).
    """
    temp, factor = grid["temp_c"], grid["temp_factor_q10"]
    told = np.isfinite(temp) & np.isfinite(factor)
    temp_c = filled_between(np.where(told, temp, np.nan), REFERENCE_C)
    log_factor = filled_between(np.where(told, np.log2(np.where(told, factor, 1.0)), np.nan), 0.0)
    sleep = np.exp2(log_factor * np.log2(sleep_q10)[:, None])
    loss = np.zeros(grid.row.shape)
    for line, chemistry in enumerate(chemistries or ()):
        if chemistry is not None:
            loss[line] = chemistry.self_discharge_per_d(np.exp2(log_factor[line]))
    return Weather(temp_c=temp_c, told=told, sleep_factor=sleep, self_discharge_per_d=loss)


def filled_between(values: FloatArray, value: float) -> FloatArray:
    """Values with NaN filled straight between those known, level before the first and after the last.

    Parameters
    ----------
    value
        For a line that has no value at all.

    Examples
    --------
    >>> filled_between(np.array([[np.nan, 1.0, np.nan, 3.0], [np.nan] * 4]), 20.0)
    array([[ 1.,  1.,  2.,  3.],
           [20., 20., 20., 20.]])
    """
    known = np.isfinite(values)
    places = np.arange(values.shape[1])
    before = np.maximum.accumulate(np.where(known, places, -1), axis=1)
    after = np.minimum.accumulate(np.where(known, places, values.shape[1])[:, ::-1], axis=1)[:, ::-1]
    low = np.where(before >= 0, before, np.minimum(after, values.shape[1] - 1))
    high = np.where(after < values.shape[1], after, np.maximum(before, 0))
    at_low, at_high = np.take_along_axis(values, low, axis=1), np.take_along_axis(values, high, axis=1)
    part = np.divide(places - low, high - low, out=np.zeros(values.shape), where=high > low)
    filled = at_low + (at_high - at_low) * np.clip(part, 0.0, 1.0)
    some = np.any(known, axis=1, keepdims=True)
    return np.where(some, filled, value)
