"""Restarts by the supply (`brownouts`) and by the firmware (`crash_loop`)."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView
from fleet.words import Flag

BROWNOUT_WINDOW_D = 14
BROWNOUTS_LEAST = 2
CRASH_WINDOW_D = 7
CRASHES_LEAST_PER_D = 1.0


def brownouts(view: FleetView) -> Verdicts:
    """True where the supply collapsed at least twice in two weeks."""
    daily = np.nan_to_num(view["n_brownout"])
    count = daily[:, -BROWNOUT_WINDOW_D:].sum(axis=1)
    lowest = np.nanmin(np.where(np.isfinite(view["batt_tx_min_mv"]), view["batt_tx_min_mv"], np.inf), axis=1)

    def say(index: int) -> str:
        seen = f"; lowest voltage under load {lowest[index]:.0f} mV" if np.isfinite(lowest[index]) else ""
        return f"{count[index]:.0f} brown-outs in {BROWNOUT_WINDOW_D} days{seen}."

    return verdicts(
        Flag.BROWNOUTS,
        count >= BROWNOUTS_LEAST,
        view.heard,
        since_d=view.first_day + first_of_last(daily > 0),
        strength=strength_of(count, 2.0, 1.0),
        say=say,
        part="battery, contacts, cold",
    )


def crash_loop(view: FleetView) -> Verdicts:
    """True where the firmware restarts at least once a day, on three days of the last seven."""
    daily = np.nan_to_num(view["n_crash"]) + np.nan_to_num(view["n_watchdog"])
    recent = daily[:, -CRASH_WINDOW_D:]
    count = recent.sum(axis=1)
    hit = (count >= CRASH_WINDOW_D * CRASHES_LEAST_PER_D) | ((recent >= 2).sum(axis=1) >= 2)

    def say(index: int) -> str:
        return f"{count[index]:.0f} restarts by crash or watchdog in {CRASH_WINDOW_D} days."

    return verdicts(
        Flag.CRASH_LOOP,
        hit,
        view.heard,
        since_d=view.first_day + first_of_last(daily > 0),
        strength=strength_of(count, 4.0, 0.6),
        say=say,
        part="firmware",
    )


def first_of_last(
    busy: np.ndarray[tuple[int, int], np.dtype[np.bool_]], gap_d: int = 14
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """First column of the last stretch of True; stretches up to `gap_d` apart are one. shape (n,)

    >>> first_of_last(np.array([[True] + [False] * 20 + [True, False, True]])).tolist()
    [21.0]
    """
    start = np.full(len(busy), float(busy.shape[1] - 1))
    for row in np.flatnonzero(busy.any(axis=1)):
        columns = np.flatnonzero(busy[row])
        splits = np.flatnonzero(np.diff(columns) > gap_d)
        start[row] = columns[splits[-1] + 1] if len(splits) else columns[0]
    return start
