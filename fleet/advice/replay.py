"""Wakes and events that given settings would have brought along a path of the slow reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from fleet.advice.firmware import Firmware
from fleet.advice.ripple import FAR_SD, Ripple, edge_rates
from fleet.messages import BandSettings
from fleet.units import S_PER_D

STANDING = 1e-12
CLEAR_INSIDE = 0.999


@dataclass(frozen=True)
class Paths:
    """Draws of the slow reading on a grid. `x` has shape (draws, cells); `alive` tells which cells count."""

    x: np.ndarray
    start_s: float
    step_s: float
    alive: np.ndarray

    @property
    def span_d(self) -> float:
        """Days that count."""
        return float(self.alive.sum()) * self.step_s / S_PER_D


@dataclass(frozen=True)
class EdgePass:
    """One edge along the paths: expected wakes and chance of being armed at the end of each cell."""

    wakes: np.ndarray
    armed: np.ndarray


@dataclass(frozen=True)
class Pass:
    """Both edges along the paths."""

    low: EdgePass
    high: EdgePass


def run_band(paths: Paths, settings: BandSettings, ripple: Ripple, firmware: Firmware) -> Pass:
    """Expected band wakes of every cell under these settings.

    Parameters
    ----------
    paths
        Draws of the slow reading.
    settings
        The settings tried; an edge that is None never wakes.
    ripple
        What rides on the reading under these settings.
    firmware
        How the band wakes the node.

    Notes
    -----
    The chance of being armed is carried from cell to cell, so one crossing of a slow reading counts once and a stay
    near the edge counts its chatter. The draws are of the slow reading only; ripple enters as an expectation.
    """
    return Pass(
        run_edge(paths, settings, ripple, firmware, high=False), run_edge(paths, settings, ripple, firmware, high=True)
    )


def run_edge(paths: Paths, settings: BandSettings, ripple: Ripple, firmware: Firmware, *, high: bool) -> EdgePass:
    """The same for one edge alone: the two do not touch each other, so a search may combine them freely."""
    level = settings.hi if high else settings.lo
    if level is None:
        return EdgePass(np.zeros_like(paths.x), np.ones_like(paths.x))
    margin = level - paths.x if high else paths.x - level
    return _run_edge(margin, settings.hyst or 0.0, ripple, firmware, paths.step_s)


def _run_edge(margin: np.ndarray, hyst: float, ripple: Ripple, firmware: Firmware, step_s: float) -> EdgePass:
    """One edge; `margin` is how far inside the band the slow reading lies."""
    level = firmware.level
    reach = FAR_SD * max(ripple.sd, 1e-9) + (0.0 if level else hyst)
    wakes, armed = np.zeros_like(margin), np.ones_like(margin)
    near = np.flatnonzero(margin.ravel() < reach)
    if not len(near):
        return EdgePass(wakes, armed)
    rates = edge_rates(ripple, 0.0 if level else hyst)
    trip, rearm = rates.at(margin.ravel()[near])
    if level:
        outside = ndtr(-margin.ravel()[near] / max(ripple.sd, 1e-9))
        wakes.ravel()[near] = step_s / (firmware.repeat_s + (1.0 - outside) / np.maximum(trip, STANDING))
        armed.ravel()[near] = 1.0 - outside
        return EdgePass(wakes, armed)
    rearm = 1.0 / (1.0 / np.maximum(rearm, STANDING) + firmware.holdoff_s)
    rate = trip + rearm
    settled = rearm / rate
    # By whole polls, not as a rate: a reading far outside trips at its first poll for certain.
    kept = np.maximum(1.0 - rate * ripple.poll_s, 0.0) ** max(step_s / ripple.poll_s, 1.0)
    fresh = np.concatenate([[True], np.diff(near) > 1]) | (near % margin.shape[1] == 0)
    before, after = _carry(kept, settled * (1.0 - kept), fresh)
    wakes.ravel()[near] = trip * (settled * step_s + (before - settled) * (1.0 - kept) / rate)
    armed.ravel()[near] = after
    return EdgePass(wakes, armed)


def _carry(gain: np.ndarray, add: np.ndarray, fresh: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Chance of being armed before and after each cell; `fresh` cells start armed.

    a[k] = gain[k] a[k-1] + add[k], by doubling: log2(n) passes of whole arrays instead of n steps.
    """
    g, a = gain.copy(), add.copy()
    a[fresh] += g[fresh]
    g[fresh] = 0.0
    shift = 1
    while shift < len(g) and g.max() > 1e-9:
        a[shift:] = a[shift:] + g[shift:] * a[:-shift]
        g[shift:] = g[shift:] * g[:-shift]
        shift *= 2
    before = np.concatenate([[1.0], a[:-1]])
    before[fresh] = 1.0
    return before, a


def running_sum(paths: Paths, wakes: np.ndarray) -> np.ndarray:
    """Expected wakes up to each cell that counts, from 0. Shape (draws, cells that count + 1)"""
    total = np.zeros((wakes.shape[0], int(paths.alive.sum()) + 1))
    np.cumsum(wakes[:, paths.alive], axis=1, out=total[:, 1:])
    return total


def gaps_between(paths: Paths, total: np.ndarray) -> list[np.ndarray]:
    """Time between wakes that are not the timer's, of each draw, over the cells that count. [s]

    Parameters
    ----------
    total
        Running sum of the wakes expected.

    Notes
    -----
    Wakes are placed where the expected sum passes each whole number and a half.
    """
    gaps = []
    for row in total:
        wanted = np.arange(int(row[-1])) + 0.5
        after = np.clip(np.searchsorted(row, wanted), 1, len(row) - 1)
        rise = np.maximum(row[after] - row[after - 1], 1e-12)
        at = (after - 1 + np.clip((wanted - row[after - 1]) / rise, 0.0, 1.0)) * paths.step_s
        gaps.append(np.diff(np.concatenate([[0.0], at, [(len(row) - 1) * paths.step_s]])))
    return gaps


def timer_wakes(gaps: list[np.ndarray], sleep_s: float, firmware: Firmware) -> np.ndarray:
    """Timer wakes of each draw: floor(gap / interval) in each gap where every wake starts the timer anew.

    >>> restarts = Firmware(poll_s=0.1, level=False, holdoff_s=0.0, repeat_s=0.1, timer_restarts=True)
    >>> timer_wakes([np.array([250.0, 90.0])], 100.0, restarts)
    array([2.9])
    """
    if not firmware.timer_restarts:
        return np.array([gap.sum() / sleep_s for gap in gaps])
    return np.array([float(np.floor(gap[:-1] / sleep_s).sum() + gap[-1] / sleep_s) for gap in gaps])


@dataclass(frozen=True)
class Events:
    """Real events: stays of the slow reading outside the reference band. Arrays over all draws."""

    draw: np.ndarray
    first: np.ndarray
    last: np.ndarray
    high: np.ndarray


def find_events(paths: Paths, reference: BandSettings, event_s: float) -> Events:
    """Stays outside the reference band that last at least `event_s` and begin where the node is known alive."""
    parts = []
    for high, level in ((False, reference.lo), (True, reference.hi)):
        if level is None:
            continue
        outside = (paths.x > level) if high else (paths.x < level)
        edge = np.diff(outside.astype(np.int8), axis=1, prepend=0, append=0)
        draw, first = np.nonzero(edge[:, :-1] == 1)
        last = np.nonzero(edge == -1)[1] - 1
        long = ((last - first + 1) * paths.step_s >= event_s) & paths.alive[first] & (first > 0)
        parts.append((draw[long], first[long], last[long], np.full(int(long.sum()), high)))
    joined = [np.concatenate(column) for column in zip(*parts, strict=True)] if parts else [np.empty(0, int)] * 4
    return Events(joined[0], joined[1], joined[2], joined[3].astype(bool))


def events_seen(
    paths: Paths, edge: EdgePass, events: Events, firmware: Firmware, *, late_s: float, high: bool
) -> np.ndarray:
    """Chance of each event beyond one edge that this edge has woken the node for it by `late_s` after its start.

    Notes
    -----
    An edge already tripped by this same excursion counts as seen: the record that says so is sent. Level re-arming is
    deaf for its hold-off after a wake: a wake of another excursion shortly before hides the start of this one.
    """
    mine = np.flatnonzero(events.high == high)
    if not len(mine):
        return np.empty(0)
    cells = max(1, round(late_s / paths.step_s) + 1)
    window = np.minimum(events.first[mine, None] + np.arange(cells), paths.x.shape[1] - 1)
    rows = events.draw[mine, None]
    seen = np.maximum(1.0 - edge.armed[rows, window].min(axis=1), -np.expm1(-edge.wakes[rows, window].sum(axis=1)))
    deaf = int((firmware.repeat_s - late_s) / paths.step_s) if firmware.level else 0
    if deaf > 0:
        before = np.maximum(events.first[mine, None] - 1 - np.arange(deaf), 0)
        of_another = np.cumsum(edge.armed[rows, before] > CLEAR_INSIDE, axis=1) > 0
        seen = seen * np.exp(-(edge.wakes[rows, before] * of_another).sum(axis=1))
    return np.asarray(seen)
