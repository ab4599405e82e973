"""A node's life as a pure function of its world, its settings and a seed: wakes, radio, true charge, records."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from fleet.demo.cells import Cell, drawn_cell
from fleet.demo.creek import rng_of
from fleet.demo.drain import Drain, drain_of
from fleet.demo.links import Delivery, Link, delivery_of, link_of
from fleet.demo.spec import FaultKind, Parts, drawn_parts
from fleet.demo.timeline import Timeline, timeline
from fleet.demo.world import World
from fleet.messages import BandSettings
from fleet.units import MC_PER_MAH, MS_PER_S, S_PER_D
from fleet.words import RESET_CAUSES, Cause

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
LOAD_NOISE_MV = 12.0  # of the lowest voltage under load, from burst to burst. Invented, plausible.
RUST_LOG_SD = 0.35
PAST_WAKES_FACTOR = 1.15  # band wakes and failed attempts before the span: about a seventh more than the timer's
REBOOT_S = 20.0  # a node that browned out tries again so much later
REBOOT_LIMIT = 3  # and so many times, then it sleeps until its timer
RESETS = np.array([int(cause) for cause in RESET_CAUSES])


@dataclass(frozen=True, kw_only=True)
class State:
    """All that a node carries from one stretch of its life to the next."""

    at_s: float
    settings: BandSettings
    cell: Cell
    used_mah: float
    boot: int = 0
    boot_at_s: float = 0.0
    seq: int = -1  # of the last wake
    life_wakes: int = 0
    last_wake_s: float | None = None  # None: not started
    last_ran: tuple[float, float, float, float] = (np.nan, np.nan, np.nan, np.nan)  # awake, radio, tries, tx
    stretch: int = 0
    fitted_s: float = 0.0


@dataclass(frozen=True)
class Wakes:
    """Every wake of a stretch, reported or not; one row a wake, in order."""

    t_s: FloatArray
    cause: IntArray
    reading: FloatArray
    boot: IntArray
    seq: IntArray
    boot_at_s: FloatArray
    life_wakes: IntArray
    awake_ms: FloatArray  # of this wake
    radio_ms: FloatArray
    tries: IntArray
    rssi_dbm: FloatArray
    temp_c: FloatArray
    rest_mv: FloatArray
    tx_mv: FloatArray  # true, under this wake's burst
    carried: BoolArray  # the battery carried the burst
    used_mah: FloatArray  # after this wake
    arrives: BoolArray
    carrier: IntArray
    arrived_s: FloatArray
    late_s: FloatArray

    def __len__(self) -> int:
        return len(self.t_s)

    def up_to(self, count: int) -> Wakes:
        """The first `count` wakes."""
        return Wakes(*(getattr(self, field.name)[:count] for field in fields(self)))


@dataclass(frozen=True)
class Stretch:
    """A stretch of one node's life under one set of settings, and the state it began and ended with."""

    begun: State
    wakes: Wakes
    ended: State


def parts_of(world: World) -> Parts:
    """The node's own currents and lengths."""
    return drawn_parts(world.spec.profile, rng_of(world.seed, world.spec.node, 11))


def fresh_cell(world: World, number: int) -> Cell:
    """The node's cell; `number` counts the swaps."""
    weak = world.spec.fault(FaultKind.WEAK_CELL)
    weak_frac = weak.amount if weak and number == 0 else 1.0
    cell = drawn_cell(world.spec.profile.battery, rng_of(world.seed, world.spec.node, 12, number), weak_frac=weak_frac)
    if world.spec.fault(FaultKind.COLD_SITE):
        cell = replace(cell, resistance_mohm=cell.resistance_mohm * 1.6)
    return cell


def wake_mc(parts: Parts, awake_ms: FloatArray | float, radio_ms: FloatArray | float) -> FloatArray:
    """Charge of wakes of these lengths, the radio's share of the length included in `awake_ms`. [mC]"""
    quiet_ms = np.asarray(awake_ms, dtype=float) - radio_ms
    return np.asarray((quiet_ms * parts.wake_ma + np.asarray(radio_ms) * parts.radio_ma) / MS_PER_S, dtype=float)


def start(world: World, parts: Parts) -> State:
    """The node at the beginning of the span: it has run since its battery was fitted, under the same settings."""
    spec, cell = world.spec, fresh_cell(world, 0)
    timers_per_d = S_PER_D / (spec.settings.sleep_s or S_PER_D)
    burst_mc = float(wake_mc(parts, parts.awake_ms + 1.05 * parts.radio_ms, 1.05 * parts.radio_ms))
    per_d = PAST_WAKES_FACTOR * timers_per_d
    used_mah_per_d = per_d * burst_mc / MC_PER_MAH + drain_of(world, parts, spec.settings, cell).base_mah_per_d
    dies = spec.fault(FaultKind.DEAD_BATTERY)
    usable_mah = cell.usable_mah(parts.radio_ma, 10.0)
    age_d = max(usable_mah / used_mah_per_d - dies.onset_d, 0.0) if dies else spec.fitted_before_d
    if dies and usable_mah / used_mah_per_d < dies.onset_d:
        cell = replace(cell, capacity_mah=cell.capacity_mah * dies.onset_d * used_mah_per_d / usable_mah)
    rng = rng_of(world.seed, spec.node, 13)
    wakes = int(per_d * age_d)
    return State(
        at_s=world.since_s,
        settings=spec.settings,
        cell=cell,
        used_mah=min(used_mah_per_d * age_d, 0.95 * cell.capacity_mah),
        boot=int(rng.integers(1, 6)),
        boot_at_s=world.since_s - age_d * S_PER_D,
        seq=wakes,
        life_wakes=wakes + int(rng.integers(0, 40)),
        last_wake_s=world.since_s - float(rng.uniform(0, spec.settings.sleep_s or S_PER_D)),
        fitted_s=world.since_s - age_d * S_PER_D,
    )


def live(world: World, parts: Parts, state: State, until_s: float) -> Stretch:
    """The node's life from its state until a moment, under the settings of the state."""
    rng = rng_of(world.seed, world.spec.node, 20, state.stretch)
    span_s = (state.at_s, until_s)
    line = timeline(world, parts, state.settings, span_s, timer_from_s=state.last_wake_s, rng=rng)
    drain = drain_of(world, parts, state.settings, state.cell)
    noise_mv = LOAD_NOISE_MV * rng.standard_normal(len(line.t_s))
    link = link_of(world, parts, line.t_s, rng)
    power = _power(world, parts, state, drain, line.t_s, link=link, noise_mv=noise_mv)
    if not power.carried.all():
        line, noise_mv = _with_reboots(line, power, noise_mv, rng)
        link = link_of(world, parts, line.t_s, rng)
        power = _power(world, parts, state, drain, line.t_s, link=link, noise_mv=noise_mv)
    delivery = delivery_of(world, line.t_s, link, power.carried, rng)
    wakes = _wakes(world, state, line, link, power, delivery=delivery, rng=rng)
    last_mah = wakes.used_mah[-1] if len(wakes) else state.used_mah
    rest_mah = drain.between_mah(float(line.t_s[-1]) if len(wakes) else state.at_s, until_s)
    ended = replace(after(state, wakes), at_s=until_s, used_mah=float(last_mah + rest_mah))
    return Stretch(state, wakes, ended)


def after(state: State, wakes: Wakes) -> State:
    """The state right after the last of these wakes."""
    if not len(wakes):
        return replace(state, stretch=state.stretch + 1)
    return replace(
        state,
        at_s=float(wakes.t_s[-1]) + 1e-3,
        used_mah=float(wakes.used_mah[-1]),
        boot=int(wakes.boot[-1]),
        boot_at_s=float(wakes.boot_at_s[-1]),
        seq=int(wakes.seq[-1]),
        life_wakes=int(wakes.life_wakes[-1]),
        last_wake_s=float(wakes.t_s[-1]),
        last_ran=_ran(wakes),
        stretch=state.stretch + 1,
    )


def _ran(wakes: Wakes) -> tuple[float, float, float, float]:
    ran = (wakes.awake_ms[-1], wakes.radio_ms[-1], wakes.tries[-1], wakes.tx_mv[-1])
    return float(ran[0]), float(ran[1]), float(ran[2]), float(ran[3])


def swapped(world: World, state: State, number: int) -> State:
    """The node with a fresh battery: a cold start, its flash as it was."""
    fresh = fresh_cell(world, number)
    return replace(state, cell=fresh, used_mah=0.0, last_wake_s=None, fitted_s=state.at_s, stretch=state.stretch + 1)


@dataclass(frozen=True)
class _Power:
    """The battery at each wake."""

    temp_c: FloatArray
    rest_mv: FloatArray
    sag_mv: FloatArray
    rusty: BoolArray
    tx_mv: FloatArray
    used_mah: FloatArray
    cutoff_mv: float

    @property
    def carried(self) -> BoolArray:
        return np.asarray(self.tx_mv >= self.cutoff_mv)


def _power(
    world: World, parts: Parts, state: State, drain: Drain, t_s: FloatArray, *, link: Link, noise_mv: FloatArray
) -> _Power:
    """Charge, rest voltage and voltage under the burst of each wake."""
    cell = state.cell
    burst_mah = wake_mc(parts, link.awake_ms, link.radio_ms) / MC_PER_MAH
    used_mah = state.used_mah + drain.between_mah(state.at_s, t_s) + np.cumsum(burst_mah)
    temp_c = world.temp_at(t_s)
    rest_mv = cell.rest_mv(used_mah, temp_c)
    rusty = world.spec.since(FaultKind.BROWNOUTS, t_s, world.since_s)
    factor = np.where(rusty, max(world.spec.amount(FaultKind.BROWNOUTS), 1.0), 1.0)
    sag_mv = cell.sag_mv(used_mah, temp_c, parts.radio_ma) * factor
    return _Power(
        temp_c, rest_mv, sag_mv, rusty, _loaded_mv(rest_mv, sag_mv, rusty, noise_mv), used_mah, cell.cutoff_mv
    )


def _loaded_mv(rest_mv: FloatArray, sag_mv: FloatArray, rusty: BoolArray, noise_mv: FloatArray) -> FloatArray:
    """Voltage under a burst; a bad contact is never the same twice. [mV]"""
    swing = np.where(rusty, np.exp(RUST_LOG_SD * noise_mv / LOAD_NOISE_MV), 1.0)
    return np.asarray(rest_mv - sag_mv * swing + noise_mv, dtype=float)


def _with_reboots(
    line: Timeline, power: _Power, noise_mv: FloatArray, rng: np.random.Generator
) -> tuple[Timeline, FloatArray]:
    """After a brown-out the node starts again, tries its radio, and gives up until its timer after a few such tries."""
    failed = np.flatnonzero(~power.carried)
    tries_mv = LOAD_NOISE_MV * rng.standard_normal((len(failed), REBOOT_LIMIT))
    rest_mv, sag_mv = power.rest_mv[failed][:, None], power.sag_mv[failed][:, None]
    fails = _loaded_mv(rest_mv, sag_mv, power.rusty[failed][:, None], tries_mv) < power.cutoff_mv
    made = np.concatenate([np.ones((len(failed), 1), dtype=bool), np.cumprod(fails[:, :-1], axis=1) > 0], axis=1)
    t_s = (line.t_s[failed][:, None] + REBOOT_S * np.arange(1, REBOOT_LIMIT + 1))[made]
    all_mv = np.concatenate([noise_mv, tries_mv[made]])
    order = np.argsort(np.concatenate([line.t_s, t_s]), kind="stable")
    return line.with_more(t_s, np.full(len(t_s), int(Cause.BROWNOUT))), all_mv[order]


def _wakes(
    world: World,
    state: State,
    line: Timeline,
    link: Link,
    power: _Power,
    *,
    delivery: Delivery,
    rng: np.random.Generator,
) -> Wakes:
    """All that is known of each wake."""
    count = len(line.t_s)
    number = np.arange(count)
    resets = np.isin(line.cause, RESETS)
    last_reset = np.maximum.accumulate(np.where(resets, number, -1)) if count else number
    begun = last_reset >= 0
    seq = np.where(begun, number - last_reset, state.seq + 1 + number)
    boot_at_s = np.where(begun, line.t_s[np.maximum(last_reset, 0)], state.boot_at_s) if count else line.t_s
    stuck = world.is_stuck(line.t_s)
    spec = world.spec
    ripple = spec.ripple.poll_sd(state.settings.avg or 1) * rng.standard_normal(count) * ~stuck
    sensed = world.level_at(line.t_s) + ripple
    return Wakes(
        t_s=line.t_s,
        cause=line.cause,
        reading=np.asarray(np.round(np.where(np.isnan(line.reading), sensed, line.reading), 3), dtype=float),
        boot=state.boot + np.cumsum(resets),
        seq=seq,
        boot_at_s=boot_at_s,
        life_wakes=state.life_wakes + 1 + number,
        awake_ms=link.awake_ms,
        radio_ms=link.radio_ms,
        tries=link.tries,
        rssi_dbm=link.rssi_dbm,
        temp_c=power.temp_c,
        rest_mv=power.rest_mv,
        tx_mv=power.tx_mv,
        carried=power.carried,
        used_mah=power.used_mah,
        arrives=delivery.arrives,
        carrier=delivery.carrier,
        arrived_s=delivery.arrived_s,
        late_s=delivery.late_s,
    )
