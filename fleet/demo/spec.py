"""What a simulated node is: its place, its kind, its settings, its faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from fleet.demo.creek import Creek
from fleet.demo.polls import Ripple
from fleet.messages import BandSettings
from fleet.profiles.profile import Figure, Profile
from fleet.units import S_PER_D

FloatArray = NDArray[np.float64]


class FaultKind(StrEnum):
    """What can be seeded. `size` means what stands behind each."""

    EDGE_CHATTER = "edge_chatter"  # low-water stand moves to `size` poll sd inside the lower threshold
    FLOATING_PIN = "floating_pin"  # extra pin wakes a day, at random times
    SLEEP_LEAK = "sleep_leak"  # extra sleep current, µA
    WEAK_CELL = "weak_cell"  # share of the printed capacity; from the fitting on
    RADIO_STRUGGLE = "radio_struggle"  # factor on attempts and radio time
    BROWNOUTS = "brownouts"  # factor on the pack's resistance
    CRASH_LOOP = "crash_loop"  # crashes and watchdog resets a day
    STUCK_READING = "stuck_reading"  # value it sticks at, or NaN: the value at the onset
    CLOCK_UNSET = "clock_unset"
    CLOCK_DRIFT = "clock_drift"  # ppm
    CLOCK_JUMP = "clock_jump"  # s
    CLOCK_ZONE = "clock_zone"  # h
    LOST_LINK = "lost_link"  # nothing arrives any more, the node lives on
    DEAD_BATTERY = "dead_battery"  # cell made just large enough to end at the onset
    RECORDS_MISSING = "records_missing"  # share of records lost on the way, without the node knowing
    COLD_SITE = "cold_site"  # °C that its battery is colder than the creek's air; cell resistance high
    SWAP_UNTOLD = "swap_untold"
    SWAP_TOLD = "swap_told"
    IDS_CROSSED = "ids_crossed"  # with `partner`, an index into the fleet


DEFAULT_SIZE = {
    FaultKind.EDGE_CHATTER: 2.6,
    FaultKind.FLOATING_PIN: 12.0,
    FaultKind.SLEEP_LEAK: 120.0,
    FaultKind.WEAK_CELL: 0.5,
    FaultKind.RADIO_STRUGGLE: 3.0,
    FaultKind.BROWNOUTS: 5.0,
    FaultKind.CRASH_LOOP: 8.0,
    FaultKind.STUCK_READING: float("nan"),
    FaultKind.CLOCK_DRIFT: 150.0,
    FaultKind.CLOCK_JUMP: -86_400.0 * 31,
    FaultKind.CLOCK_ZONE: 1.0,
    FaultKind.RECORDS_MISSING: 0.3,
    FaultKind.COLD_SITE: -9.0,
}


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One thing that goes wrong, from a day on."""

    kind: FaultKind
    onset_d: float = 0.0  # days after the fleet's `since_at`
    size: float | None = None  # see FaultKind; None: a usual size
    partner: int | None = None

    @property
    def amount(self) -> float:
        """The size, or the usual one."""
        return DEFAULT_SIZE.get(self.kind, 0.0) if self.size is None else self.size


def factory_settings() -> BandSettings:
    """Settings as a node leaves the bench."""
    return BandSettings(lo=0.70, hi=1.55, hyst=0.04, sleep_s=7200.0, period_ms=100.0, avg=8)


@dataclass(frozen=True, kw_only=True)
class NodeSpec:
    """One simulated node."""

    node: str
    profile: Profile
    creek: Creek = field(default_factory=Creek)
    settings: BandSettings = field(default_factory=factory_settings)
    faults: tuple[Fault, ...] = ()
    sill_v: float = 0.85  # the creek's bed at the node: the level does not fall below
    gain: float = 1.0  # of the node's level about the creek's mean
    offset_v: float = 0.0
    ripple: Ripple = field(default_factory=Ripple)
    loss_frac: float = 0.02  # share of wakes in which no connection comes about
    loss_burst_count: float = 3.0  # mean length of such a spell, wakes
    buffer_count: int = 0  # records kept while out of reach; 0: none
    rssi_dbm: float = -72.0
    fitted_before_d: float = 60.0  # age of the battery at the start
    hist_every_count: int = 0  # every how many records `asleep` carries a histogram; 0: never
    signed: bool = True
    key_id: str = ""

    def fault(self, kind: FaultKind) -> Fault | None:
        """The fault of this kind, if the node has one."""
        return next((fault for fault in self.faults if fault.kind is kind), None)

    def since(self, kind: FaultKind, t_s: FloatArray, since_s: float) -> NDArray[np.bool_]:
        """True where a fault of this kind acts."""
        fault = self.fault(kind)
        return np.zeros(len(t_s), dtype=bool) if fault is None else t_s >= since_s + fault.onset_d * S_PER_D

    def amount(self, kind: FaultKind) -> float:
        """Size of the fault of this kind; 0 without one."""
        fault = self.fault(kind)
        return 0.0 if fault is None else fault.amount


@dataclass(frozen=True, kw_only=True)
class Parts:
    """One node's own currents and lengths: drawn once from the profile's figures."""

    sleep_ua: float
    coprocessor_mc: float  # charge of one run
    wake_ma: float
    awake_ms: float
    awake_sd_ms: float
    radio_ma: float
    radio_ms: float
    radio_sd_ms: float
    gain_frac: float  # of the battery measurement


def drawn_parts(profile: Profile, rng: np.random.Generator) -> Parts:
    """A node's own figures. Where the profile tells a spread, the node lies within it."""

    def draw(figure: Figure | None) -> float:
        return 0.0 if figure is None else max(figure.mean + figure.sd * float(rng.standard_normal()), 0.2 * figure.mean)

    coprocessor, radio = profile.coprocessor, profile.radio
    run_ma = draw(coprocessor.run_ma if coprocessor else None)
    return Parts(
        sleep_ua=draw(profile.sleep.current_ua),
        coprocessor_mc=run_ma * draw(coprocessor.run_us if coprocessor else None) / 1e6,
        wake_ma=draw(profile.wake.current_ma),
        awake_ms=profile.wake.length_ms.mean,
        awake_sd_ms=profile.wake.length_ms.sd,
        radio_ma=draw(radio.current_ma if radio else None),
        radio_ms=radio.length_ms.mean if radio else 0.0,
        radio_sd_ms=radio.length_ms.sd if radio else 0.0,
        gain_frac=profile.measure.gain_sd * float(rng.standard_normal()),
    )


Progress = Callable[[int, int], None]
"""Told how many of how many are done."""
