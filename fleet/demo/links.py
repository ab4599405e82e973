"""What a node's radio goes through: attempts, time on air, spells without a connection, records kept and sent later."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.demo.spec import FaultKind, Parts
from fleet.demo.world import World
from fleet.units import MS_PER_S, S_PER_D

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TRIES_MEAN_EXTRA = 0.06  # further attempts a wake on a good link. Invented, plausible.
TRIES_LIMIT = 6
TRY_FRAC = 0.7  # of a whole radio time that a further attempt costs
STRUGGLE_LOSS_FRAC = 0.15
STRUGGLE_DB = -14.0
NETWORK_S = 0.4  # mean delay from the node's radio to the tool


@dataclass(frozen=True)
class Link:
    """The radio of each wake."""

    tries: IntArray
    awake_ms: FloatArray  # whole wake, radio included
    radio_ms: FloatArray
    rssi_dbm: FloatArray
    connected: BoolArray


def spells(count: int, frac: float, mean_count: float, rng: np.random.Generator) -> BoolArray:
    """True in spells of the given mean length that take up this share of a sequence (two-state Markov chain).

    >>> inside = spells(200_000, 0.2, 4.0, np.random.default_rng(1))
    >>> bool(abs(inside.mean() - 0.2) < 0.01)
    True
    """
    if frac <= 0 or count == 0:
        return np.zeros(count, dtype=bool)
    mean_good = mean_count * (1 - frac) / frac
    pairs = int(count / (mean_count + mean_good) * 1.5) + 20
    good, bad = rng.geometric(min(1.0, 1 / mean_good), pairs), rng.geometric(min(1.0, 1 / mean_count), pairs)
    start_bad = rng.random() < frac
    lengths = np.column_stack([bad, good] if start_bad else [good, bad]).ravel()
    states = np.resize([start_bad, not start_bad], len(lengths))
    line = np.repeat(states, lengths)
    return np.resize(line, count).astype(bool)


def link_of(world: World, parts: Parts, t_s: FloatArray, rng: np.random.Generator) -> Link:
    """Attempts, lengths and outcome of the radio at each wake, as far as the battery carries it."""
    spec, count = world.spec, len(t_s)
    struggles = spec.since(FaultKind.RADIO_STRUGGLE, t_s, world.since_s)
    factor = np.where(struggles, max(spec.amount(FaultKind.RADIO_STRUGGLE), 1.0), 1.0)
    tries = np.minimum(1 + rng.poisson(TRIES_MEAN_EXTRA + 0.8 * (factor - 1)), TRIES_LIMIT)
    frac = spec.loss_frac + STRUGGLE_LOSS_FRAC * float(struggles.any())
    away = spells(count, frac, spec.loss_burst_count, rng)
    weak = spells(count, spec.loss_frac, spec.loss_burst_count, rng) if struggles.any() else away
    away = np.where(struggles, away, weak) | _unreachable(world, t_s)
    tries = np.where(away, np.maximum(tries, 3), tries)
    radio_ms = _lengths(parts.radio_ms, parts.radio_sd_ms, count, rng) * (1 + TRY_FRAC * (tries - 1))
    awake_ms = _lengths(parts.awake_ms, parts.awake_sd_ms, count, rng) + radio_ms
    rssi_dbm = spec.rssi_dbm + STRUGGLE_DB * struggles + 3.0 * rng.standard_normal(count)
    return Link(tries, np.round(awake_ms), np.round(radio_ms), np.round(rssi_dbm), ~away)


def _unreachable(world: World, t_s: FloatArray) -> BoolArray:
    """True while the gateway is down or the link is lost for good."""
    away = world.spec.since(FaultKind.LOST_LINK, t_s, world.since_s)
    for from_d, to_d in world.spec.creek.gateway_down_d:
        passed_d = (t_s - world.since_s) / S_PER_D
        away = away | ((passed_d >= from_d) & (passed_d < to_d))
    return away


def _lengths(mean_ms: float, sd_ms: float, count: int, rng: np.random.Generator) -> FloatArray:
    """Log-normal lengths of this mean and standard deviation. [ms]"""
    if mean_ms <= 0:
        return np.zeros(count)
    log_var = np.log1p((sd_ms / mean_ms) ** 2)
    return np.asarray(mean_ms * np.exp(np.sqrt(log_var) * rng.standard_normal(count) - log_var / 2), dtype=float)


@dataclass(frozen=True)
class Delivery:
    """Which records arrive, with which wake's transmission, when, and how long they waited on the node."""

    arrives: BoolArray
    carrier: IntArray  # index of the wake whose transmission carried it; -1: never
    arrived_s: FloatArray
    late_s: FloatArray


def delivery_of(world: World, t_s: FloatArray, link: Link, reported: BoolArray, rng: np.random.Generator) -> Delivery:
    """What becomes of each record. `reported`: the wake got its radio burst through."""
    spec, count = world.spec, len(t_s)
    sends = reported & link.connected
    upcoming = np.where(sends, np.arange(count), count)
    carrier = np.minimum.accumulate(upcoming[::-1])[::-1] if count else upcoming
    waiting = np.cumsum(~sends)
    behind = np.where(carrier < count, waiting[np.minimum(carrier, count - 1)] - waiting, 0) if count else carrier
    kept = sends | ((carrier < count) & (behind < spec.buffer_count) & reported)
    missing = spec.since(FaultKind.RECORDS_MISSING, t_s, world.since_s)
    dropped = missing & (rng.random(count) < spec.amount(FaultKind.RECORDS_MISSING))
    arrives = kept & ~dropped
    at = np.minimum(carrier, max(count - 1, 0))
    sent_s = t_s[at] + link.awake_ms[at] / MS_PER_S if count else t_s
    delay_s = rng.exponential(NETWORK_S, count)
    arrived_s = sent_s + delay_s[at] if count else sent_s
    late_s = np.where(at == np.arange(count), 0.0, t_s[at] - t_s) if count else t_s
    return Delivery(arrives, np.where(arrives, carrier, -1), arrived_s, late_s)
