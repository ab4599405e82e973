"""What one node lives in: the level it senses and the temperature of its battery, at any moment."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fleet.demo.creek import air_temp_c, level_v
from fleet.demo.spec import FaultKind, NodeSpec
from fleet.units import S_PER_D, S_PER_MIN

FloatArray = NDArray[np.float64]
BEND_V = 0.015  # how softly the level meets the creek's bed
TEMP_STEP_S = 600.0


@dataclass(frozen=True)
class World:
    """One node's surroundings over a whole span; the same seed gives the same world whatever the settings."""

    spec: NodeSpec
    since_s: float
    days: int
    seed: int

    @property
    def minutes(self) -> int:
        """Minutes of the span, and one more to end on."""
        return self.days * 1440 + 1

    @cached_property
    def sensed_v(self) -> FloatArray:
        """Level at the sensor at the start of each minute, without waves and noise. [V], shape (minutes,)"""
        spec = self.spec
        creek_v = level_v(spec.creek, self.since_s, self.minutes, self.seed)
        mean_v = spec.creek.mean_v
        free_v = mean_v + spec.gain * (creek_v - mean_v) + spec.offset_v
        sill_v = np.full(self.minutes, spec.sill_v)
        begins = self._begins(FaultKind.EDGE_CHATTER)
        edge = spec.settings.lo or 0.0
        sill_v[begins:] = edge + spec.amount(FaultKind.EDGE_CHATTER) * spec.ripple.poll_sd(spec.settings.avg or 1)
        sensed = sill_v + BEND_V * np.logaddexp(0.0, (free_v - sill_v) / BEND_V)
        begins = self._begins(FaultKind.STUCK_READING)
        if begins < self.minutes:
            amount = spec.amount(FaultKind.STUCK_READING)
            sensed[begins:] = sensed[begins] if np.isnan(amount) else amount
        return np.asarray(sensed, dtype=float)

    def forget(self) -> None:
        """Free the memory of what can be computed again."""
        self.__dict__.pop("sensed_v", None)

    def level_at(self, t_s: FloatArray) -> FloatArray:
        """Level at any moment. [V]"""
        minute = (t_s - self.since_s) / S_PER_MIN
        index = np.clip(minute.astype(np.int64), 0, self.minutes - 2)
        share = np.clip(minute - index, 0, 1)
        return np.asarray(self.sensed_v[index] * (1 - share) + self.sensed_v[index + 1] * share, dtype=float)

    def temp_at(self, t_s: FloatArray) -> FloatArray:
        """Temperature of the battery. [°C]"""
        air = air_temp_c(self.spec.creek, self.since_s, self.minutes, self.seed)
        at_c = np.interp((t_s - self.since_s) / TEMP_STEP_S, np.arange(len(air)), air)
        cold = self.spec.since(FaultKind.COLD_SITE, t_s, self.since_s)
        return np.asarray(at_c + self.spec.amount(FaultKind.COLD_SITE) * cold, dtype=float)

    def is_stuck(self, t_s: FloatArray) -> NDArray[np.bool_]:
        """True while the sensor does not move."""
        return self.spec.since(FaultKind.STUCK_READING, t_s, self.since_s)

    def _begins(self, kind: FaultKind) -> int:
        fault = self.spec.fault(kind)
        return self.minutes if fault is None else int(np.clip(fault.onset_d * S_PER_D / S_PER_MIN, 0, self.minutes))
