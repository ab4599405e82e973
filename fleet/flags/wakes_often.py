"""More wakes than the node's own past, or its like, allows; a storm at its site is taken out first."""

from __future__ import annotations

import numpy as np

from fleet.flags.peers import anscombe, common_course
from fleet.flags.step_change import find_steps
from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView, nan_mean, nan_median
from fleet.words import Flag

LEAST_RATIO = 1.4
LEAST_EXTRA_PER_D = 2.0
LIKE_RATIO = 3.0
STEP_Z = 5.0
RECENT_D = 3


def wakes_often(view: FleetView) -> Verdicts:
    """True where a node wakes more often than before, or than three times its like.

    Notes
    -----
    Daily counts on Anscombe's scale, less the course that the other nodes of the site share, are searched for one
    step. A step counts only if the last three days still stand above its middle. Days before the last known change of
    settings are not compared with those after it.
    """
    scaled = anscombe(view.wakes)
    own = np.where(since_last_break(view), scaled - common_course(scaled, view.site_codes), np.nan)
    steps = find_steps(own, least_sd=1.0)
    rows, days = np.arange(view.shape[0]), view.shape[1]
    after_mask = np.arange(days) >= steps.at[:, None]
    before = nan_mean(np.where(after_mask, np.nan, np.where(np.isfinite(own), view.wakes, np.nan)))
    after = nan_mean(np.where(after_mask & np.isfinite(own), view.wakes, np.nan))
    lasting = nan_mean(own[:, -RECENT_D:]) > (steps.before + steps.after) / 2
    rose = (steps.z > STEP_Z) & (after > LEAST_RATIO * before) & (after - before > LEAST_EXTRA_PER_D) & lasting
    like = _peer_rate(view)
    recent = view.mean_recent(view.wakes)
    unlike = (recent > LIKE_RATIO * like) & (recent - like > 2 * LEAST_EXTRA_PER_D)
    known = np.isfinite(recent)
    since_d = np.where(rose, view.first_day + steps.at, view.first_day).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(rose, steps.z / STEP_Z, np.log(recent / like) / np.log(LIKE_RATIO))

    def say(index: int) -> str:
        if rose[index]:
            return (
                f"{after[index]:.1f} wakes a day since the step, {before[index]:.1f} before it; its site is taken out."
            )
        return f"{recent[index]:.1f} wakes a day in the last week; the median of its like is {like[index]:.1f}."

    hit = np.nan_to_num(rose | unlike).astype(bool)
    return verdicts(
        Flag.WAKES_OFTEN,
        hit,
        known,
        since_d=since_d,
        strength=strength_of(score, 1.0, 2.5),
        say=say,
        part="band and sensor",
        window_d=np.where(rose, steps.half_window, 1.0)[rows],
    )


def since_last_break(view: FleetView) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Days at or after the last known change of a node. shape (n_nodes, n_days)"""
    breaks = view.breaks()
    days = np.arange(view.shape[1])
    last = np.where(breaks.any(axis=1), view.shape[1] - 1 - breaks[:, ::-1].argmax(axis=1), 0)
    return np.asarray(days >= last[:, None])


def _peer_rate(view: FleetView) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Median recent wakes a day of a node's like; NaN where it has fewer than four."""
    recent = view.mean_recent(view.wakes)
    rate = np.full(len(recent), np.nan)
    for group in np.unique(view.peer_codes):
        rows = np.flatnonzero(view.peer_codes == group)
        if np.isfinite(recent[rows]).sum() >= 4:
            rate[rows] = nan_median(recent[rows][None, :])[0]
    return rate
