"""An order not taken in time (`order_unanswered`), and things that got worse after one (`order_worse`)."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView, nan_mean
from fleet.units import S_PER_D, S_PER_H
from fleet.words import Flag, OrderState

WAITS_FOR_INTERVALS = 4.0
LEAST_WAIT_S = 6 * 3600.0
LEAST_RATIO = 1.3
LEAST_DAYS = 2
SHOWN_D = 28


def order_unanswered(view: FleetView) -> Verdicts:
    """True where an order has been out for four sleep intervals and no record shows it."""
    since = _state_since(view, OrderState.POSTED)
    interval = view.nodes["sleep_s"].fillna(3600.0).to_numpy(float)
    waited = view.as_of_s - since
    limit = np.maximum(LEAST_WAIT_S, WAITS_FOR_INTERVALS * interval)
    hit = np.isfinite(since) & (waited > limit)

    def say(index: int) -> str:
        out_h, interval_h = waited[index] / S_PER_H, interval[index] / S_PER_H
        return f"an order has been out for {out_h:.0f} h at an interval of {interval_h:.1f} h."

    return verdicts(
        Flag.ORDER_UNANSWERED,
        hit,
        np.ones(len(hit), dtype=bool),
        since_d=np.nan_to_num(since / S_PER_D),
        strength=strength_of(waited / limit, 1.0, 2.0),
        say=say,
        part="link and node clock",
    )


def order_worse(view: FleetView) -> Verdicts:
    """True where wakes a day rose by at least three in ten after an order came into force."""
    since = np.fmax(_state_since(view, OrderState.IN_FORCE), _state_since(view, OrderState.ON_TRIAL))
    since = np.where(since > view.as_of_s - SHOWN_D * S_PER_D, since, np.nan)
    first = np.where(np.isfinite(since), since // S_PER_D - view.first_day, view.shape[1])
    days = np.arange(view.shape[1])
    after = nan_mean(np.where(days[None, :] > first[:, None], view.wakes, np.nan))
    window = (days[None, :] < first[:, None]) & (days[None, :] >= first[:, None] - SHOWN_D)
    before = nan_mean(np.where(window, view.wakes, np.nan))
    count = (np.isfinite(view.wakes) & (days[None, :] > first[:, None])).sum(axis=1)
    known = np.isfinite(since) & (count >= LEAST_DAYS) & np.isfinite(before)
    with np.errstate(invalid="ignore", divide="ignore"):
        z = (after - before) / np.sqrt((after + before) / np.maximum(count, 1) + 0.1)
        hit = known & (after > LEAST_RATIO * before) & (z > 3)

    def say(index: int) -> str:
        return f"{after[index]:.1f} wakes a day since the order, {before[index]:.1f} in the four weeks before it."

    return verdicts(
        Flag.ORDER_WORSE,
        hit,
        known | ~np.isfinite(since),
        since_d=np.nan_to_num(since / S_PER_D),
        strength=strength_of(np.nan_to_num(z), 3.0, 0.7),
        say=say,
        part="the order: put it back",
    )


def _state_since(view: FleetView, state: OrderState) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Moment since when each node's order is in this state; NaN where none is. [s]"""
    if not len(view.orders):
        return np.full(view.shape[0], np.nan)
    chosen = view.orders[view.orders["state"] == str(state)]
    return chosen.groupby("node_id")["state_at"].max().reindex(view.node_ids).to_numpy(float)
