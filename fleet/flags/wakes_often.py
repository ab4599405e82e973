"""More wakes than the node's own past, or its like, allows; a storm at its site is taken out first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.count_cusum import cusum_paths
from fleet.flags.count_design import count_design
from fleet.flags.discovery import adjusted_p
from fleet.flags.peers import anscombe, common_course, others_median
from fleet.flags.shrink import prior_of_peers, tail_odds
from fleet.flags.step_change import Steps, find_steps
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray, nan_mean
from fleet.units import D_PER_WEEK
from fleet.words import RESET_CAUSES, Flag

LEAST_RATIO = 1.4
LEAST_EXTRA_PER_D = 2.0
LIKE_RATIO = 3.0
STEP_Z = 5.0
RECENT_D = 3
PAST_LEAST_D, HELD_OUT_D, WATCH_D = 10, 14, 60
WATCHED_TIMES, WATCHED_MORE = 1.5, 4.0
BUDGET_SHARE = 1.0
FALSE_SHARE = 0.02


@dataclass(frozen=True)
class _Sums:
    """Count sums of the wakes that no timer made: alarm, first column of the rise, usual and present rate."""

    alarm: BoolArray
    at: FloatArray
    usual: FloatArray
    now: FloatArray
    over: FloatArray


def wakes_often(view: FleetView) -> Verdicts:
    """True where a node wakes more often than before, or than three times its like.

    Notes
    -----
    Three witnesses, any of which is enough. (1) Count sums of the wakes that no timer and no reset made, less what
    the others of the site had more than usual, with a negative-binomial reference and a limit from the exact Markov
    chain for the budget of false alarms. (2) One step in all wakes on Anscombe's scale, less the site's course, five
    standard errors high. (3) Three times the median of its like, where also the peers' Gamma–Poisson tail is
    believed after Benjamini and Hochberg's correction. Days before the last known change of settings do not count.
    """
    usable = since_last_break(view)
    scaled = anscombe(view.wakes)
    own = np.where(usable, scaled - common_course(scaled, view.site_codes), np.nan)
    steps = find_steps(own, least_sd=1.0)
    before, after, rose = _step(view, own, steps)
    sums = _sums(view, usable, steps)
    like, unlike = _unlike(view)
    recent = view.mean_recent(view.wakes)
    at = np.where(rose, steps.at, np.where(sums.alarm, sums.at, 0)).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_like = np.log(recent / like) / np.log(LIKE_RATIO)
    score = np.fmax(np.where(rose, steps.z / STEP_Z, 0.0), np.where(sums.alarm, sums.over, 0.0))
    score = np.where(rose | sums.alarm, score, by_like)

    def say(index: int) -> str:
        if rose[index]:
            return (
                f"{after[index]:.1f} wakes a day since the step, {before[index]:.1f} before it; its site is taken out."
            )
        if sums.alarm[index]:
            return (
                f"{sums.now[index]:.1f} wakes a day that no timer made, {sums.usual[index]:.1f} before; "
                f"their sum is {sums.over[index]:.1f} times its limit; its site is taken out."
            )
        return f"{recent[index]:.1f} wakes a day in the last week; the median of its like is {like[index]:.1f}."

    return verdicts(
        Flag.WAKES_OFTEN,
        np.nan_to_num(rose | sums.alarm | unlike).astype(bool),
        np.isfinite(recent),
        since_d=view.first_day + at,
        strength=calibrated(Flag.WAKES_OFTEN, score),
        say=say,
        part="band and sensor",
        window_d=np.where(rose, steps.half_window, 2.0),
    )


def _step(view: FleetView, own: FloatArray, steps: Steps) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Wakes a day before and after the best step, and whether it counts and lasts."""
    after_mask = np.arange(view.shape[1]) >= steps.at[:, None]
    before = nan_mean(np.where(after_mask, np.nan, np.where(np.isfinite(own), view.wakes, np.nan)))
    after = nan_mean(np.where(after_mask & np.isfinite(own), view.wakes, np.nan))
    lasting = nan_mean(own[:, -RECENT_D:]) > (steps.before + steps.after) / 2
    rose = (steps.z > STEP_Z) & (after > LEAST_RATIO * before) & (after - before > LEAST_EXTRA_PER_D) & lasting
    return before, after, np.asarray(rose)


def _sums(view: FleetView, usable: BoolArray, steps: Steps) -> _Sums:
    counts = _untimed(view, usable)
    n, days = counts.shape
    columns = np.arange(days)
    until = np.where(np.nan_to_num(steps.z) > STEP_Z - 1.0, np.minimum(steps.at, days - HELD_OUT_D), days - HELD_OUT_D)
    past = np.where(columns[None, :] < until[:, None], counts, np.nan)
    known_d = np.isfinite(past).sum(axis=1)
    usual, shape = _usual(past, known_d, view.peer_codes)
    alarm, at, now, over = np.zeros(n, bool), np.zeros(n), nan_mean(counts[:, -RECENT_D:]), np.zeros(n)
    wanted_d = D_PER_WEEK * max(n, 1) / max(BUDGET_SHARE * view.false_per_week, 1e-6)
    for row in np.flatnonzero(
        (known_d >= PAST_LEAST_D) & (np.isfinite(counts[:, -RECENT_D:]).sum(axis=1) >= 2)
    ).tolist():
        watched = usual[row] + max(WATCHED_MORE, (WATCHED_TIMES - 1.0) * usual[row])
        reference, limit = count_design(float(usual[row]), watched, float(shape[row]), wanted_d)
        path = cusum_paths(counts[row, -WATCH_D:] - reference)
        alarm[row] = path[-1] >= limit and now[row] > (usual[row] + watched) / 2 * 0.8
        zeros = np.flatnonzero(path <= 0)
        at[row] = days - len(path) + (zeros[-1] + 1 if len(zeros) else 0)
        over[row] = path[-1] / limit
    return _Sums(alarm, at, usual, now, over)


def _untimed(view: FleetView, usable: BoolArray) -> FloatArray:
    """Wakes of each day that neither a timer nor a reset made, the missing shared out, the site's excess taken out."""
    seen = view["seen"]
    other = seen - view["n_timer"] - sum(np.nan_to_num(view[f"n_{cause.word}"]) for cause in RESET_CAUSES)
    with np.errstate(divide="ignore", invalid="ignore"):
        counts = np.where(seen > 0, other * np.minimum(view.wakes / seen, 3.0), np.nan)
    excess = np.zeros(view.shape)
    for code in np.unique(view.site_codes):
        rows = np.flatnonzero(view.site_codes == code)
        if len(rows) < 4:
            continue
        middle = np.array(
            [np.median(day[np.isfinite(day)]) if np.isfinite(day).sum() >= 4 else 0.0 for day in counts[rows].T]
        )
        usual = float(np.median(middle))
        # The median of a dozen counts wanders by itself; only what is beyond two of its standard errors is weather.
        wander = 2.0 * 1.25 * np.sqrt(max(usual, 0.5) / len(rows))
        excess[rows] = np.where(middle - usual > wander, middle - usual, 0.0)
    return np.where(usable, np.maximum(counts - excess, 0.0), np.nan)


def _usual(past: FloatArray, known_d: FloatArray, codes: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Usual rate, leaning on the node's like, and the negative-binomial shape of its daily counts. [1/d], [-]"""
    total = np.nansum(past, axis=1)
    usual = np.full(len(past), np.nan)
    for code in np.unique(codes):
        rows = np.flatnonzero(codes == code)
        prior_shape, prior_d = prior_of_peers(total[rows], known_d[rows].astype(float))
        if np.isfinite(prior_shape):
            # A prior worth more than a week would hide what a node's own place does to it.
            prior_shape, prior_d = prior_shape * min(1.0, 7.0 / prior_d), min(prior_d, 7.0)
            usual[rows] = (total[rows] + prior_shape) / (known_d[rows] + prior_d)
    own = nan_mean(past)
    usual = np.maximum(np.fmax(usual, own * 0.9), 0.2)
    squares = nan_mean((past - own[:, None]) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = np.where(
            squares > own * (1.0 + 3.0 * np.sqrt(2.0 / np.maximum(known_d, 2))), own**2 / (squares - own), 1e9
        )
    return usual, np.nan_to_num(np.maximum(shape, 0.1), nan=1e9)


def _unlike(view: FleetView) -> tuple[FloatArray, BoolArray]:
    """Median recent rate of the others of each node's like, and where a node is beyond three times that, believed."""
    recent = view.mean_recent(view.wakes)
    like = others_median(recent, view.peer_codes)
    p = np.full(len(recent), np.nan)
    days = np.isfinite(view.wakes[:, -int(D_PER_WEEK) :]).sum(axis=1)
    for code in np.unique(view.peer_codes):
        rows = np.flatnonzero((view.peer_codes == code) & np.isfinite(recent))
        if len(rows) < 4:
            continue
        typical = rows[recent[rows] <= np.quantile(recent[rows], 0.9)]
        shape, per_d = prior_of_peers(recent[typical] * days[typical], days[typical].astype(float))
        if np.isfinite(shape):
            p[rows] = tail_odds(np.rint(recent[rows] * days[rows]), shape, per_d, time_d=days[rows].astype(float))
    believed = np.nan_to_num(adjusted_p(p), nan=1.0) <= FALSE_SHARE
    with np.errstate(invalid="ignore"):
        return like, np.asarray(believed & (recent > LIKE_RATIO * like) & (recent - like > 2 * LEAST_EXTRA_PER_D))


def since_last_break(view: FleetView) -> BoolArray:
    """Days at or after the last known change of a node. shape (n_nodes, n_days)"""
    breaks = view.breaks()
    days = np.arange(view.shape[1])
    last = np.where(breaks.any(axis=1), view.shape[1] - 1 - breaks[:, ::-1].argmax(axis=1), 0)
    return np.asarray(days >= last[:, None])
