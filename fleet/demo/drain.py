"""What a node draws while it sleeps: floor, leak, coprocessor and the cell's own discharge, as a running sum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.demo.cells import Cell
from fleet.demo.spec import FaultKind, Parts
from fleet.demo.world import World
from fleet.messages import BandSettings
from fleet.units import H_PER_D, MC_PER_MAH, MS_PER_S, S_PER_D, S_PER_H, UA_PER_MA

FloatArray = NDArray[np.float64]
LEFT_FRAC = 0.85  # of its capacity a cell is taken to hold, for its own discharge


@dataclass(frozen=True, kw_only=True)
class Drain:
    """Charge drawn between wakes."""

    since_s: float
    floor_ma: FloatArray  # sleep floor with any leak, each hour
    coprocessor_ma: float
    self_ma: FloatArray  # the cell's own discharge, each hour
    sum_mah: FloatArray  # all of these, up to the start of each hour

    @property
    def base_mah_per_d(self) -> float:
        """Charge a day between wakes at the beginning of the span. [mAh]"""
        return float((self.floor_ma[0] + self.coprocessor_ma + self.self_ma[:24].mean()) * H_PER_D)

    def between_mah(self, from_s: float, t_s: ArrayLike) -> FloatArray:
        """Charge drawn from a moment until others. [mAh]"""
        hour = (np.asarray(t_s, dtype=float) - self.since_s) / S_PER_H
        grid = np.arange(len(self.sum_mah))
        begin = np.interp((from_s - self.since_s) / S_PER_H, grid, self.sum_mah)
        return np.asarray(np.interp(hour, grid, self.sum_mah) - begin, dtype=float)


def drain_of(world: World, parts: Parts, settings: BandSettings, cell: Cell) -> Drain:
    """Drain between wakes over the whole span."""
    t_s = np.asarray(world.since_s + S_PER_H * np.arange(world.days * 24 + 1), dtype=float)
    leak_ua = world.spec.amount(FaultKind.SLEEP_LEAK) * world.spec.since(FaultKind.SLEEP_LEAK, t_s, world.since_s)
    floor_ma = np.asarray((parts.sleep_ua + leak_ua) / UA_PER_MA, dtype=float)
    runs_per_h = S_PER_H * MS_PER_S / (settings.period_ms or np.inf)
    coprocessor_ma = parts.coprocessor_mc * runs_per_h / MC_PER_MAH
    warmth = cell.chemistry.q10_factor(world.temp_at(t_s))
    per_d = cell.chemistry.self_discharge_per_d() * S_PER_H / S_PER_D * warmth
    self_ma = LEFT_FRAC * cell.capacity_mah * per_d
    sums = np.concatenate([[0.0], np.cumsum(floor_ma + coprocessor_ma + self_ma)])
    return Drain(since_s=world.since_s, floor_ma=floor_ma, coprocessor_ma=coprocessor_ma, self_ma=self_ma, sum_mah=sums)
