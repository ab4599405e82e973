"""Time awake and time with the radio on, a node and day; wakes that no record describes are imputed from like ones.

A record tells of the wake before it. So the wakes described as "unknown" are those whose own record was lost while the
next one came through: the best likeness for the other lost ones, which may have been long because the link was bad.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.daily.grid import DayGrid
from fleet.daily.groups import FloatArray
from fleet.estimates.lost_wakes import UNLIKE_SD, lost_length
from fleet.estimates.profile_table import ProfileTable
from fleet.frames import CAUSE_GROUPS
from fleet.units import MS_PER_S
from fleet.words import Cause

SEEN_GROUPS = tuple(group for group in CAUSE_GROUPS if group != "unknown")
FEW_COUNT = 2.0  # a cause group leans on all wakes of its node like so many of its own


@dataclass(frozen=True)
class AwakeTime:
    """Time awake of each node-day. Arrays of shape (n_nodes, n_days) but where said."""

    awake_s: FloatArray  # radio time included
    radio_s: FloatArray
    random_var_s2: FloatArray  # of awake_s: from wakes that no record describes
    shared_sd_s: FloatArray  # of the sum over all days: the mean length of undescribed wakes, shape (n_nodes,)
    length_s: FloatArray  # usual length by cause group, "unknown" last, shape (n_nodes, n_groups)
    length_sd_s: FloatArray  # spread between single wakes, shape (n_nodes,)
    described_count: FloatArray  # wakes whose length is known
    by_profile: FloatArray  # 1 where the node's records tell no lengths and the profile's stand in, shape (n_nodes,)
    radio_by_profile: FloatArray  # the same for radio time, shape (n_nodes,)


@dataclass(frozen=True)
class _Lengths:
    """Sums over described wakes. Shapes (n_nodes, n_days, n_groups)."""

    count: FloatArray
    sum_s: FloatArray
    squares_s2: FloatArray


def awake_time(grid: DayGrid, table: ProfileTable, by_cause: FloatArray) -> AwakeTime:
    """Time awake and radio time of every node-day.

    Parameters
    ----------
    table
        Figures that stand in where records tell no lengths, a line a node of the grid.
    by_cause
        Wakes a node, day and cause, from `counts.wakes_by_cause`.

    Notes
    -----
    Ratio estimator a cause group, with a day's own level shrunk towards the node's (variance components by moments).
    """
    lengths = _lengths(grid)
    profile_s = _profile_length_s(table, by_cause)
    usual, sd_s, count = _usual_lengths(lengths, profile_s, grid.follows.sum(axis=1))
    day_sd_s, level = _day_levels(lengths, usual, sd_s)
    undescribed = grid.wakes - lengths.count.sum(axis=2)
    mean_s, lost_frac = _undescribed_mean_s(grid, lengths, usual)
    mean_s *= level.ratio
    awake_s = np.maximum(lengths.sum_s.sum(axis=2) + undescribed * mean_s, 0.0)
    untold = np.maximum(undescribed, 0.0)
    seen_s = (count[:, :-1] * usual[:, :-1]).sum(axis=1) / np.maximum(count[:, :-1].sum(axis=1), 1e-9)
    longer = np.maximum(usual[:, -1] / np.maximum(seen_s, 1e-9), 1.0)[:, None]  # lost wakes scatter in proportion
    longer = np.where(seen_s[:, None] > 0, longer, 1.0)
    uneven = 1.0 + lost_frac * (longer**2 - 1.0)
    random = uneven * (untold * sd_s[:, None] ** 2 + untold**2 * day_sd_s[:, None] ** 2 * level.unsure)
    like_lost, like_all = (untold * lost_frac * longer).sum(axis=1), untold.sum(axis=1)
    own, described = np.maximum(count[..., -1], 1e-3), np.maximum(count.sum(axis=1), 1.0)
    shared = sd_s * np.sqrt(like_lost**2 / own + like_all**2 / described)
    by_profile = lengths.count.sum(axis=(1, 2)) == 0  # then the profile's own spread stands for the shared one
    radio_s, radio_by_profile = _radio_s(grid, table, by_cause, awake_s)
    return AwakeTime(
        awake_s=awake_s,
        radio_s=radio_s,
        random_var_s2=random,
        shared_sd_s=np.where(by_profile, 0.0, shared),
        length_s=usual,
        length_sd_s=sd_s,
        described_count=lengths.count.sum(axis=2),
        by_profile=by_profile.astype(float),
        radio_by_profile=radio_by_profile,
    )


def _lengths(grid: DayGrid) -> _Lengths:
    def stack(what: str) -> FloatArray:
        return np.stack([grid.known(f"{what}_{group}") for group in CAUSE_GROUPS], axis=-1)

    squares = stack("awake_sq_ms2") / MS_PER_S**2
    return _Lengths(count=stack("awake_count"), sum_s=stack("awake_ms") / MS_PER_S, squares_s2=squares)


def _profile_length_s(table: ProfileTable, by_cause: FloatArray) -> FloatArray:
    """Mean length of a wake by the profile, over the node's causes: radio off and on together. Shape (n_nodes,)"""
    mix = by_cause.sum(axis=1) + 1e-9
    length = table.wake_length_s.mean + table.has_radio * table.radio_length_s.mean[:, None]
    return np.asarray((mix * length).sum(axis=1) / mix.sum(axis=1), dtype=float)


def _usual_lengths(
    lengths: _Lengths, profile_s: FloatArray, follows: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Usual length by group, spread of single wakes, and what the described wakes of each group are worth.

    `follows` of the wakes described as "unknown" are seen ones of the day before, and are taken out of the lost ones.
    """
    count, total = lengths.count.sum(axis=1), lengths.sum_s.sum(axis=1)
    n_all = count.sum(axis=1)
    node_s = np.where(n_all > 0, total.sum(axis=1) / np.maximum(n_all, 1.0), profile_s)
    few = np.full(count.shape, FEW_COUNT)
    group_s = (total + few * node_s[:, None]) / (count + few)
    within = lengths.squares_s2.sum(axis=1) - np.divide(total**2, count, out=np.zeros_like(total), where=count > 0)
    freedom = np.maximum(count - 1.0, 0.0)[:, :-1].sum(axis=1)
    spread = np.sqrt(np.maximum(within, 0.0)[:, :-1].sum(axis=1) / np.maximum(freedom, 1.0))
    sd_s = np.where(freedom > 0, spread, UNLIKE_SD * node_s)
    seen_s = total[:, :-1].sum(axis=1) / np.maximum(count[:, :-1].sum(axis=1), 1.0)
    seen_s = np.where(count[:, :-1].sum(axis=1) > 0, seen_s, node_s)
    strange = np.minimum(follows, count[:, -1])
    lost_s = np.maximum(total[:, -1] - strange * seen_s, 0.0)
    lost = count[:, -1] - strange
    # Taking the strange ones out leaves their noise behind: so many lost wakes are worth less than their number.
    worth = np.divide(lost**2, count[:, -1], out=np.zeros_like(lost), where=count[:, -1] > 0)
    lost_mean_s = np.divide(lost_s, lost, out=seen_s.copy(), where=lost > 0)
    like = lost_length(lost_mean_s, worth, seen_s=seen_s, sd_s=sd_s)
    group_s[:, -1] = like.mean_s
    return group_s, sd_s, np.column_stack([count[:, :-1], like.worth_count])


@dataclass(frozen=True)
class _Level:
    ratio: FloatArray  # of the day's wake length to the node's usual
    unsure: FloatArray  # share of the variance between days that the day's own wakes leave


def _day_levels(lengths: _Lengths, usual: FloatArray, sd_s: FloatArray) -> tuple[FloatArray, _Level]:
    """Spread between days of the mean wake, and each day's level shrunk towards the node's; by seen wakes only."""
    count, total_s = lengths.count[..., :-1].sum(axis=2), lengths.sum_s[..., :-1].sum(axis=2)
    expected = (lengths.count[..., :-1] * usual[:, None, :-1]).sum(axis=2)
    excess = (total_s - expected) ** 2 - count * sd_s[:, None] ** 2
    weight = (count**2).sum(axis=1)
    day_var = np.maximum(excess.sum(axis=1) / np.maximum(weight, 1.0), 0.0)
    worth = np.divide(sd_s**2, day_var, out=np.full(len(sd_s), 1e9), where=day_var > 1e-9 * sd_s**2 + 1e-18)[:, None]
    mean = np.divide(
        expected, count, out=np.broadcast_to(usual.mean(axis=1)[:, None], count.shape).copy(), where=count > 0
    )
    top = total_s + worth * mean
    ratio = np.divide(top, expected + worth * mean, out=np.ones_like(top), where=expected + worth * mean > 0)
    return np.sqrt(day_var), _Level(ratio=ratio, unsure=worth / (count + worth))


def _undescribed_mean_s(grid: DayGrid, lengths: _Lengths, usual: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Usual length of the wakes of each day that no record describes, and which share of them has no record itself."""
    seen = np.stack([sum(grid.known(f"n_{c.word}") for c in CAUSE_GROUPS[group]) for group in SEEN_GROUPS], axis=-1)
    open_seen = np.maximum(seen - lengths.count[..., :-1], 0.0)
    # The day's last wake is described on the next day, as "unknown"; as many came over from the day before.
    total = np.maximum(open_seen.sum(axis=2), 1e-9)
    open_seen *= (np.maximum(total - grid.follows, 0.0) / total)[..., None]
    lost = np.maximum(grid.missing - np.maximum(lengths.count[..., -1] - grid.follows, 0.0), 0.0)
    weights = np.concatenate([open_seen, lost[..., None]], axis=-1)
    total = weights.sum(axis=2)
    lost_frac = np.divide(lost, total, out=np.zeros_like(total), where=total > 0)
    mean = np.divide((weights * usual[:, None, :]).sum(axis=2), total, out=np.zeros_like(total), where=total > 0)
    return np.asarray(np.where(total > 0, mean, usual[:, None, :].mean(axis=2)), dtype=float), lost_frac


def _radio_s(
    grid: DayGrid, table: ProfileTable, by_cause: FloatArray, awake_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Radio time of each node-day, never above the time awake; by profile for nodes that tell none."""
    count = sum(grid.known(f"radio_count_{group}") for group in CAUSE_GROUPS)
    total = sum(grid.known(f"radio_ms_{group}") for group in CAUSE_GROUPS) / MS_PER_S
    count, total = np.asarray(count, dtype=float), np.asarray(total, dtype=float)
    n_node = count.sum(axis=1)
    node_s = np.divide(total.sum(axis=1), n_node, out=np.zeros(len(n_node)), where=n_node > 0)
    day_s = (total + FEW_COUNT * node_s[:, None]) / (count + FEW_COUNT)
    told = total + (grid.wakes - count) * day_s
    reporting = (by_cause * table.has_radio[:, None, :]).sum(axis=2)
    by_profile = np.nan_to_num(reporting * table.radio_length_s.mean[:, None])
    radio = np.where(n_node[:, None] > 0, np.maximum(told, 0.0), by_profile)
    return np.minimum(radio, awake_s), (n_node == 0).astype(float)


def group_of_cause() -> FloatArray:
    """Place of each cause's group among `CAUSE_GROUPS`. Shape (n_causes,)

    >>> group_of_cause()[Cause.BAND_HIGH]
    np.int64(1)
    """
    place = {cause: number for number, causes in enumerate(CAUSE_GROUPS.values()) for cause in causes}
    return np.array([place[cause] for cause in Cause])
