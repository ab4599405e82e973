"""Charge counted day by day from the profile: what the sleep floor and what the wakes should have drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.estimates.node_days import NodeDays
from fleet.profiles.profile import Figure, Profile
from fleet.units import H_PER_D, MC_PER_MAH, MS_PER_D, MS_PER_S, S_PER_D, UA_PER_MA, US_PER_S

FloatArray = NDArray[np.float64]
GROUPS = ("timer", "band", "reset", "other", "unknown")
COUNTED_COLUMNS = (
    "missing",
    "first_t",
    "last_t",
    "first_boot",
    "last_boot",
    "first_seq",
    "last_seq",
    "runs",
    *(f"{what}_{group}" for group in GROUPS for what in ("awake_count", "awake_ms", "radio_count", "radio_ms")),
)
WAKES_MOST_PER_D = 20_000.0  # a counter jump beyond this is a wrap or a wiped flash, not wakes


@dataclass(frozen=True)
class Counted:
    """Arrays are (n_nodes, n_days) unless said; before a node's first record everything is 0.

    `wake_mc` is the charge of one wake by the profile and the node's own awake times. [mC], shape (n_nodes,)
    """

    wakes: FloatArray
    floor_mah: FloatArray
    wake_mah: FloatArray
    awake_frac: FloatArray
    floor_ua: FloatArray  # (n_nodes,) sleep and coprocessor
    sleep_ua: FloatArray  # (n_nodes,)
    wake_mc: FloatArray
    floor_log_sd: FloatArray  # (n_nodes,) of the profile's figures
    wake_log_sd: FloatArray  # (n_nodes,)

    @property
    def total_mah(self) -> FloatArray:
        """Floor and wakes together. [mAh], shape (n_nodes, n_days)"""
        return self.floor_mah + self.wake_mah


@dataclass(frozen=True)
class _Costs:
    """Figures of each node's profile, shape (n_nodes,); NaN where the profile is not known."""

    sleep_ua: FloatArray
    coprocessor_ua: FloatArray
    wake_ma: FloatArray
    wake_ms: FloatArray
    radio_ma: FloatArray
    radio_ms: FloatArray
    sleep_log_sd: FloatArray
    wake_log_sd: FloatArray


def coprocessor_ua(run_ma: float, run_us: float, period_ms: float) -> float:
    """Mean current of a processor that runs for a moment every period.

    Examples
    --------
    2 mA for 40 µs every 100 ms is 2000 × 0.0004 (common practice, no source):

    >>> round(coprocessor_ua(2.0, 40.0, 100.0), 9)
    0.8
    """
    return run_ma * UA_PER_MA * run_us / US_PER_S / (period_ms / MS_PER_S)


def counted_charge(table: NodeDays, profiles: list[Profile | None], period_ms: FloatArray) -> Counted:
    """Counted charge of every node and day.

    Parameters
    ----------
    table
        Needs the columns of `COUNTED_COLUMNS`.
    profiles
        One a node, None where it is not known: then everything of that node is NaN.
    period_ms
        Coprocessor period in force; NaN takes the profile's. [ms], shape (n_nodes,)

    Notes
    -----
    Wakes of silent days follow from the counters of the same boot, else from the node's median day. The first and the
    last day count in full. Left out: temperature of the sleep current; the drain ratio takes it up.
    """
    costs = _costs(profiles, period_ms)
    wakes = daily_wakes(table)
    awake_ms, radio_ms = _mean_length(table, "awake", np.nan), _mean_length(table, "radio", np.nan)
    radio_ms = np.where(np.isfinite(radio_ms), radio_ms, costs.radio_ms)
    other_ms = np.where(np.isfinite(awake_ms), np.maximum(awake_ms - radio_ms, 0.0), costs.wake_ms)
    wake_mc = (other_ms * costs.wake_ma + radio_ms * costs.radio_ma) / MS_PER_S
    started = np.cumsum(table.heard, axis=1) > 0
    awake_frac = np.clip(wakes * (other_ms + radio_ms)[:, None] / MS_PER_D, 0.0, 1.0)
    floor_ua = costs.sleep_ua + costs.coprocessor_ua
    floor_mah = started * (1 - awake_frac) * floor_ua[:, None] * H_PER_D / UA_PER_MA
    wake_mah = started * wakes * wake_mc[:, None] / MC_PER_MAH
    return Counted(
        wakes=wakes,
        floor_mah=floor_mah,
        wake_mah=wake_mah,
        awake_frac=awake_frac,
        floor_ua=floor_ua,
        sleep_ua=costs.sleep_ua,
        wake_mc=wake_mc,
        floor_log_sd=costs.sleep_log_sd,
        wake_log_sd=costs.wake_log_sd,
    )


def daily_wakes(table: NodeDays) -> FloatArray:
    """Wakes of each day, missing records and silent days counted in. shape (n_nodes, n_days)

    Notes
    -----
    Wakes between the last record of one day row and the first of the next are given evenly to the days between them
    and the later one.
    """
    seen = table["seen"] + np.nan_to_num(table["missing"])
    n_nodes, n_days = seen.shape
    column = np.arange(n_days)
    last_heard = np.maximum.accumulate(np.where(table.heard, column, -1), axis=1)
    before = np.concatenate([np.full((n_nodes, 1), -1), last_heard[:, :-1]], axis=1)
    at = np.maximum(before, 0)
    gap_d = np.maximum(column - before, 1)
    between = table["first_seq"] - np.take_along_axis(table["last_seq"], at, axis=1) - 1
    same = (table["first_boot"] == np.take_along_axis(table["last_boot"], at, axis=1)) & (before >= 0)
    sane = same & (between >= 0) & (between <= WAKES_MOST_PER_D * gap_d)
    typical = _row_median(seen)
    share = np.where(sane, between / gap_d, np.where((gap_d > 1) & table.heard, typical[:, None], 0.0))
    share = np.where(table.heard, share, np.nan)
    share[:, ::-1] = _carry(share[:, ::-1])  # a silent day takes the share of the gap that ends after it
    total = np.where(table.heard, np.where(sane, share, 0.0) + np.nan_to_num(seen), share)
    total = np.where(np.isfinite(total), total, typical[:, None])  # silent since the last record
    return np.where(np.cumsum(table.heard, axis=1) > 0, total, 0.0)


def _carry(values: FloatArray) -> FloatArray:
    """Each NaN takes the last value before it in its row."""
    column = np.where(np.isfinite(values), np.arange(values.shape[1]), 0)
    return np.take_along_axis(values, np.maximum.accumulate(column, axis=1), axis=1)


def _row_median(values: FloatArray) -> FloatArray:
    count = np.isfinite(values).sum(axis=1)
    ordered = np.sort(values, axis=1)
    return np.where(count > 0, ordered[np.arange(len(values)), np.maximum((count - 1) // 2, 0)], np.nan)


def _mean_length(table: NodeDays, what: str, otherwise: float) -> FloatArray:
    """Mean length over all causes as a ratio of sums. [ms], shape (n_nodes,)"""
    total = sum((np.nansum(table[f"{what}_ms_{group}"], axis=1) for group in GROUPS), np.zeros(table.shape[0]))
    count = sum((np.nansum(table[f"{what}_count_{group}"], axis=1) for group in GROUPS), np.zeros(table.shape[0]))
    return np.divide(total, count, out=np.full(table.shape[0], otherwise), where=count > 0)


def _costs(profiles: list[Profile | None], period_ms: FloatArray) -> _Costs:
    rows = [_cost_row(profile, period) for profile, period in zip(profiles, period_ms, strict=True)]
    return _Costs(*np.array(rows, dtype=float).reshape(-1, 8).T)


def _cost_row(profile: Profile | None, period_ms: float) -> tuple[float, ...]:
    if profile is None:
        return (np.nan,) * 8
    small = profile.coprocessor
    run_ua = 0.0
    if small is not None:
        run_ua = coprocessor_ua(
            small.run_ma.mean, small.run_us.mean, period_ms if np.isfinite(period_ms) else small.period_ms
        )
    radio = profile.radio
    radio_ma, radio_ms = (radio.current_ma.mean, radio.length_ms.mean) if radio else (0.0, 0.0)
    loud = radio.current_ma if radio and radio_ma * radio_ms > profile.wake.current_ma.mean else profile.wake.current_ma
    return (
        profile.sleep.current_ua.mean,
        run_ua,
        profile.wake.current_ma.mean,
        profile.wake.length_ms.mean,
        radio_ma,
        radio_ms,
        log_sd(profile.sleep.current_ua),
        log_sd(loud),
    )


UNSTATED_LOG_SD = 0.25  # common practice, no source: a bench figure without a spread is off by a quarter


def log_sd(figure: Figure) -> float:
    """Standard deviation of a figure's logarithm; a quarter where no spread is stated.

    >>> log_sd(Figure(10.0)), round(log_sd(Figure(10.0, 1.0)), 3)
    (0.25, 0.1)
    """
    if figure.sd <= 0 or figure.mean <= 0:
        return UNSTATED_LOG_SD
    return float(np.sqrt(np.log1p((figure.sd / figure.mean) ** 2)))


def elapsed_d(table: NodeDays, as_of_s: float) -> FloatArray:
    """Days from each node's first record to `as_of_s`; NaN if it has none. [d], shape (n_nodes,)"""
    first = np.where(table.heard, table["first_t"], np.inf).min(axis=1) if table.shape[1] else np.full(0, np.inf)
    return np.where(np.isfinite(first), (as_of_s - first) / S_PER_D, np.nan)


def unknown_profiles(wanted: list[str], profiles: Mapping[str, Profile]) -> list[Profile | None]:
    """The profile of each node, None where there is none of that name."""
    return [profiles.get(name) for name in wanted]
