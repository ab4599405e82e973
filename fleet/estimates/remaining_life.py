"""Days left, as draws: charge above the cut-off of the coming months over a drain that may change."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.estimates.cell_prior import DOD_FRAC, DOD_STEP, MEAN, PER_K, RESISTANCE, CellPrior
from fleet.estimates.drain_ahead import DrainAhead
from fleet.estimates.hypotheses import FRESH_DOD, Beliefs
from fleet.estimates.state_of_charge import RESISTANCE_SPREAD_K, Filtered
from fleet.profiles.chemistry import Chemistry

FloatArray = NDArray[np.float64]
ShortArray = NDArray[np.float32]

CHANGE_EVERY_D = 250.0  # a node's drain changes about so often before it has shown how often (no source)
CHANGE_LOG_MEAN = 0.35  # of the new drain over the old one: changes that nobody planned seldom save charge
CHANGE_LOG_SD = 0.5
REVERT_SHARE = 0.5  # chance that a change leads back to the node's long-run drain
COLD_SHARE = 0.15  # at light load a cell loses at most so much of the table's share in the cold, beyond its resistance
ALIVE_LEFT = 0.01  # share of capacity that a talking node has left on average where the draw says none
LIFE_MOST_D = 36_525.0
AHEAD = np.concatenate([[0.0], np.linspace(0.05, 1.0, 16), np.linspace(1.15, 2.0, 6)])  # of a first guess of the life


@dataclass(frozen=True)
class Outcome:
    """Draws of one battery's end; arrays of shape (n,)."""

    life_d: FloatArray
    end_dod: FloatArray  # depth at which the radio can no longer be carried, at the mean temperature of its place
    charge_left: FloatArray  # share of what a full cell would give
    drain_per_d: FloatArray  # share of capacity now drawn in a day


def outcome_of(
    state: Filtered,
    beliefs: Beliefs,
    chemistry: Chemistry,
    prior: CellPrior,
    ahead: DrainAhead,
    *,
    rng: np.random.Generator,
) -> Outcome:
    """When each draw's battery stops carrying the radio.

    Notes
    -----
    Dead is the last wake whose burst the battery carried before a week without one, so the warmest hours of the coming
    weeks count, not the coldest night. The drain now holds until a change, exponential in time, at a rate
    learned from the node's own changes; then it goes back to the node's long-run drain or to a new one.
    """
    temps_c = np.unique(np.round(np.linspace(ahead.coldest_c, ahead.warmest_c, 3), 2))
    end = _ends_dod(state, beliefs, chemistry, prior, temps_c)
    exponent = COLD_SHARE * rng.random(len(state.dod_frac))
    end = end * chemistry.usable_by_temp.at(temps_c)[:, None] ** exponent
    now = _between(temps_c, end, np.full(len(exponent), ahead.temp_c(0.0)))
    if ahead.alive:
        # A node that still talks is not dead, whatever a draw says: its cell holds on for a little more.
        more = np.maximum(state.dod_frac + ALIVE_LEFT * rng.exponential(size=len(now)) - now, 0.0)
        now, end = now + more, end + more
    drain, growth = _drain_now(state, beliefs, ahead)
    new = _drain_after_change(state, drain, beliefs, ahead, rng)
    rate = (1.0 + ahead.changes_count) / (CHANGE_EVERY_D + ahead.watched_d)
    change_d = rng.exponential(1.0 / rate, size=len(drain))
    drain = drain * np.exp(ahead.wake_log_sd * rng.standard_normal(len(drain)))
    guess = _life_d(np.maximum(now - state.dod_frac, 0.0), drain, growth, change_d, new)
    life = _with_seasons(guess, state.dod_frac, (temps_c, end), (drain, growth, change_d, new), ahead)
    usual = np.maximum(_between(temps_c, end, np.full(len(now), ahead.season_mean_c)), state.dod_frac)
    left = share_left(state.dod_frac, usual, state.particles.start_dod)
    return Outcome(np.minimum(life, LIFE_MOST_D), usual, left, drain)


def share_left(dod_frac: FloatArray, end_dod: FloatArray, start_dod: FloatArray) -> FloatArray:
    """Charge left as a share of what a full, fresh cell would give: what any cell loses on the shelf is not missed.

    Examples
    --------
    A new pack is full, and one that went in half used is not:

    >>> share_left(np.array([0.02, 0.5]), np.array([0.98, 0.98]), np.array([0.02, 0.5])).round(2)
    array([1.  , 0.51])
    """
    lost = np.minimum(start_dod, FRESH_DOD)
    return np.asarray(np.clip(1.0 - (dod_frac - lost) / np.maximum(end_dod - lost, 1e-6), 0.0, 1.0), dtype=float)


def _ends_dod(
    state: Filtered, beliefs: Beliefs, chemistry: Chemistry, prior: CellPrior, temps_c: FloatArray
) -> FloatArray:
    """Depth at which each draw's voltage under radio load falls below the cut-off. shape (n_temps, n)"""
    first = int(np.searchsorted(DOD_FRAC, 0.0))
    table = prior.table[:, first:].astype(np.float32)
    one = state.particles.hypothesis
    curve = np.empty((len(one), table.shape[1]), dtype=np.float32)
    for number in np.unique(one):
        mine = one == number
        departures = state.departures[mine].astype(np.float32) @ table[number, :, PER_K + 1 :].T
        curve[mine] = table[number, :, MEAN] + departures
    curve = np.minimum.accumulate(curve, axis=1)
    # Resistance and temperature coefficient are the chemistry's, the same for all candidate curves.
    ohm = _pack_ohm(state, beliefs, chemistry, table[0, :, RESISTANCE])
    rows = np.arange(len(curve))
    ends = []
    for temp_c in temps_c:
        heat = float(chemistry.resistance_by_temp.at(temp_c)) * _colder(state, chemistry, float(temp_c))
        mv = (
            beliefs.series * (curve + table[0, :, PER_K] * np.float32(temp_c - 20.0))
            - (heat * beliefs.radio_ma)[:, None].astype(np.float32) * ohm
        )
        below = mv < beliefs.cutoff_mv
        at = np.clip(np.where(below.any(axis=1), below.argmax(axis=1), mv.shape[1] - 1), 1, None)
        above, under = mv[rows, at - 1], mv[rows, at]
        part = np.clip((above - beliefs.cutoff_mv) / np.maximum(above - under, 1e-6), 0.0, 1.0)
        ends.append(np.maximum(DOD_FRAC[first:][at - 1] + part * DOD_STEP, 0.02))
    return np.asarray(ends, dtype=float)


def _pack_ohm(state: Filtered, beliefs: Beliefs, chemistry: Chemistry, by_dod: ShortArray) -> ShortArray:
    """Resistance of each draw's pack along the discharge at 20 °C. [Ω], shape (n, n_dod)"""
    fresh = beliefs.resistance_mohm / 1000.0 * state.particles.resistance_factor
    deep = state.resistance_departures[:, :1].astype(np.float32)
    deeper = np.exp(deep * np.float32(chemistry.resistance_by_dod.sd) * (1.0 - 1.0 / by_dod))
    return np.asarray(fresh.astype(np.float32)[:, None] * by_dod * deeper, dtype=np.float32)


def _colder(state: Filtered, chemistry: Chemistry, temp_c: float) -> FloatArray:
    """Factor by which each draw's resistance leaves the table at a temperature. shape (n,)"""
    spread = chemistry.resistance_by_temp.sd * (20.0 - temp_c) / RESISTANCE_SPREAD_K
    return np.asarray(np.exp(state.resistance_departures[:, 1] * spread), dtype=float)


def _between(temps_c: FloatArray, end: FloatArray, temp_c: FloatArray) -> FloatArray:
    """End of discharge of each draw at its temperature, straight between the temperatures worked out."""
    if len(temps_c) == 1:
        return np.asarray(end[0], dtype=float)
    place = np.clip(np.interp(temp_c, temps_c, np.arange(len(temps_c))), 0, len(temps_c) - 1.001)
    low = place.astype(int)
    rows = np.arange(end.shape[1])
    below, above = end[low, rows], end[low + 1, rows]
    return np.asarray(below + (above - below) * (place - low), dtype=float)


def _drain_now(state: Filtered, beliefs: Beliefs, ahead: DrainAhead) -> tuple[FloatArray, FloatArray]:
    """Share of capacity drawn in a day now, and by how much that grows from day to day."""
    one = state.particles
    extra = ahead.mean_mah_per_d * one.extra_now / one.capacity_mah
    counted = one.floor_factor * ahead.floor_mah_per_d + one.wake_factor * ahead.wake_mah_per_d
    drain = counted / one.capacity_mah + extra + _self_discharge(state, beliefs)
    since_d = np.maximum(ahead.battery_d * (1.0 - one.extra_from), 5.0)
    return drain, np.where(one.extra_grows, extra / since_d, 0.0)


def _self_discharge(state: Filtered, beliefs: Beliefs) -> FloatArray:
    return beliefs.self_discharge_per_d * 0.5 * np.maximum(1.0 - state.dod_frac, 0.0)


def _drain_after_change(
    state: Filtered, drain: FloatArray, beliefs: Beliefs, ahead: DrainAhead, rng: np.random.Generator
) -> FloatArray:
    one = state.particles
    usual = one.floor_factor * ahead.floor_mah_per_d + one.wake_factor * ahead.wake_long_mah_per_d
    back = usual / one.capacity_mah + _self_discharge(state, beliefs)
    back = back * np.exp(0.15 * rng.standard_normal(len(drain)))
    fresh = drain * np.exp(CHANGE_LOG_MEAN + CHANGE_LOG_SD * rng.standard_normal(len(drain)))
    return np.where(rng.random(len(drain)) < REVERT_SHARE, back, fresh)


def _used(
    time_d: FloatArray, drain: FloatArray, growth: FloatArray, change_d: FloatArray, new: FloatArray
) -> FloatArray:
    """Share of capacity used after some days. Arrays of one shape."""
    before = np.minimum(time_d, change_d)
    used = drain * before + 0.5 * growth * before**2 + new * np.maximum(time_d - change_d, 0.0)
    return np.asarray(used, dtype=float)


def _life_d(
    left: FloatArray, drain: FloatArray, growth: FloatArray, change_d: FloatArray, new: FloatArray
) -> FloatArray:
    """Days until a share of capacity is used up."""
    root = np.sqrt(drain**2 + 2.0 * growth * left)
    before = 2.0 * left / np.maximum(drain + root, 1e-12)  # the stable form of the quadratic's root
    used = _used(change_d, drain, growth, change_d, new)
    after = change_d + np.maximum(left - used, 0.0) / np.maximum(new, 1e-12)
    return np.minimum(np.where(before <= change_d, before, after), LIFE_MOST_D)


def _with_seasons(
    guess: FloatArray,
    dod: FloatArray,
    ends: tuple[FloatArray, FloatArray],
    drains: tuple[FloatArray, ...],
    ahead: DrainAhead,
) -> FloatArray:
    """First day on which each draw's depth passes the end of discharge at that day's temperature."""
    temps_c, end = ends
    if len(temps_c) == 1:
        return guess
    life = 2.0 * guess
    found = np.zeros(len(guess), dtype=bool)
    margin_before = np.maximum(_between(temps_c, end, np.full(len(dod), ahead.temp_c(0.0))) - dod, 0.0)
    for before, share in itertools.pairwise(AHEAD):
        time = share * guess
        limit = _between(temps_c, end, ahead.temp_c(time))
        margin = limit - dod - _used(time, *drains)
        part = np.clip(margin_before / np.maximum(margin_before - margin, 1e-12), 0.0, 1.0)
        now = ~found & (margin <= 0)
        life = np.where(now, guess * (before + (share - before) * part), life)
        found |= now
        margin_before = margin
    return np.where(guess <= 0, 0.0, life)
