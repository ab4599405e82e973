"""One node's battery: its segments between swaps, the state of the present one, its end."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fleet.estimates.battery_beliefs import beliefs_of
from fleet.estimates.cell_prior import CellPrior
from fleet.estimates.drain_ahead import DrainAhead, drain_ahead
from fleet.estimates.evidence import DaySeries, Evidence, evidence_of
from fleet.estimates.hidden_drain import HiddenDrain, hidden_drain
from fleet.estimates.hypotheses import Beliefs
from fleet.estimates.remaining_life import Outcome, outcome_of, share_left
from fleet.estimates.state_of_charge import Filtered, weigh
from fleet.profiles.chemistry import Chemistry
from fleet.profiles.profile import Profile
from fleet.units import S_PER_D

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
LEARN_LEAST_D = 14.0  # an earlier battery of fewer days teaches nothing about the drain
RECHARGED_WINDOW_D = 5
ALIVE_D = 2.0  # middle of the last day with a record
NOTHING = np.empty(0)


@dataclass(frozen=True)
class NodeHistory:
    """One node's days up to the moment of judging; arrays of shape (n_days,), day 0 is `first_day`.

    Charges are whole: silent days and the days since the last record stand at the node's usual pace.
    """

    node_id: int
    first_day: int
    rest_mv: FloatArray
    load_mv: FloatArray
    low_mv: FloatArray  # lowest of the day, at rest if known
    noise_mv: FloatArray
    temp_c: FloatArray  # at the battery; filled
    told_temp_c: FloatArray  # NaN where the node told none
    high_temp_c: FloatArray  # highest of the day, NaN likewise
    middle_s: FloatArray  # middle of the day's records
    floor_mah: FloatArray
    wake_mah: FloatArray
    self_discharge_per_d: FloatArray
    started_s: float  # first record
    as_of_s: float
    latitude: float
    fitted_s: float


@dataclass(frozen=True)
class BatteryKind:
    """What a node's battery is by the set-up."""

    profile: Profile
    chemistry: Chemistry
    prior: CellPrior


@dataclass(frozen=True)
class BatteryState:
    """The present battery: draws, and charge left at some moments of it and of earlier ones."""

    beliefs: Beliefs
    state: Filtered
    outcome: Outcome
    ahead: DrainAhead
    shown: Evidence
    start_s: float
    history_s: FloatArray
    history_left: FloatArray  # (n_moments, 3): lo, mid, hi


def battery_state(
    history: NodeHistory,
    kind: BatteryKind,
    starts_s: Sequence[float],
    *,
    recharged: bool,
    draws: int,
) -> BatteryState:
    """State and end of the battery now in a node.

    Parameters
    ----------
    starts_s
        When each battery known of went in, oldest first; the last is the present one.
    recharged
        The battery is charged in the field: only the last days' voltage counts, and life means days without sun.
    """
    learned: tuple[Beliefs, Filtered] | None = None
    moments, lefts = [], []
    bounds = [*starts_s, history.as_of_s]
    for start_s, end_s in itertools.pairwise(bounds[:-1]):
        if end_s - start_s < LEARN_LEAST_D * S_PER_D or recharged:
            continue
        beliefs, shown, state, outcome = _fit(history, kind, start_s, end_s, learned=learned, draws=draws // 2)
        learned = (beliefs, state)
        seconds, left = _left_over_time(shown, state, outcome, start_s)
        moments.append(seconds)
        lefts.append(left)
    start_s = bounds[-2]
    if recharged:
        start_s = max(start_s, history.as_of_s - RECHARGED_WINDOW_D * S_PER_D)
    beliefs, shown, state, outcome = _fit(
        history, kind, start_s, history.as_of_s, learned=learned, draws=draws, recharged=recharged
    )
    seconds, left = _left_over_time(shown, state, outcome, start_s)
    return BatteryState(
        beliefs=beliefs,
        state=state,
        outcome=outcome,
        ahead=_ahead(history, start_s),
        shown=shown,
        start_s=bounds[-2],
        history_s=np.concatenate([*moments, seconds]),
        history_left=np.concatenate([*lefts, left]),
    )


def _fit(
    history: NodeHistory,
    kind: BatteryKind,
    start_s: float,
    end_s: float,
    *,
    learned: tuple[Beliefs, Filtered] | None,
    draws: int,
    recharged: bool = False,
) -> tuple[Beliefs, Evidence, Filtered, Outcome]:
    series = _series(history, start_s, end_s, step_mv=kind.profile.measure.step_mv, lowest=recharged)
    inside = _inside(history, start_s, end_s)
    beliefs = beliefs_of(
        kind.profile,
        kind.chemistry,
        told_start=bool(np.isfinite(history.fitted_s)) or start_s > history.started_s,
        before_mah=_before_mah(history, start_s, series),
        self_discharge_per_d=float(np.mean(history.self_discharge_per_d[inside])) if inside.any() else 0.0,
        recharged=recharged,
    )
    if learned is not None:
        beliefs = _taught(beliefs, *learned)
    if not recharged:
        beliefs = _with_step(beliefs, hidden_drain(series, beliefs, kind.prior), series.end_d)
    shown = evidence_of(series)
    state = weigh(shown, beliefs, kind.chemistry, kind.prior, draws=draws, seed=history.node_id % 2**31)
    rng = np.random.default_rng([history.node_id % 2**31, 1])
    outcome = outcome_of(state, beliefs, kind.chemistry, kind.prior, _ahead(history, start_s), rng=rng)
    return beliefs, shown, state, outcome


def _with_step(beliefs: Beliefs, seen: HiddenDrain | None, end_d: float) -> Beliefs:
    """Beliefs that expect the hidden drain which the voltage shows."""
    if seen is None:
        return beliefs
    return replace(
        beliefs,
        extra_share=max(seen.share, beliefs.extra_share),
        extra_from=(seen.began_d / end_d, seen.began_sd_d / end_d),
        extra_log=(seen.log_size, seen.log_size_sd),
    )


def _taught(beliefs: Beliefs, before: Beliefs, state: Filtered) -> Beliefs:
    """Beliefs about the node's drain after an earlier battery: what the profile gets wrong stays wrong."""
    floor, wake = np.log(state.particles.floor_factor), np.log(state.particles.wake_factor)
    return replace(
        beliefs,
        floor_log_mean=float(floor.mean()),
        floor_log_sd=float(np.clip(floor.std(), 0.05, before.floor_log_sd)),
        wake_log_mean=float(wake.mean()),
        wake_log_sd=float(np.clip(wake.std(), 0.05, before.wake_log_sd)),
    )


def _day_start_s(history: NodeHistory) -> FloatArray:
    return np.asarray((history.first_day + np.arange(len(history.rest_mv))) * S_PER_D, dtype=float)


def _inside(history: NodeHistory, start_s: float, end_s: float) -> BoolArray:
    day = _day_start_s(history)
    return np.asarray((day + S_PER_D > start_s) & (day < end_s), dtype=bool)


def _series(history: NodeHistory, start_s: float, end_s: float, *, step_mv: float, lowest: bool) -> DaySeries:
    """The days of one battery; the share of its first and last day that is its own."""
    inside = _inside(history, start_s, end_s)
    day = _day_start_s(history)[inside]
    own = np.clip((np.minimum(day + S_PER_D, end_s) - np.maximum(day, start_s)) / S_PER_D, 0.0, 1.0)
    own = np.where(day + S_PER_D > history.as_of_s, 1.0, own)  # the last day's charge ends at the moment of judging
    middle = history.middle_s[inside]
    # On the day of a swap the median may be of the old battery.
    mine = np.isfinite(middle) & (middle >= start_s) & (own > 0.25)
    rest = history.low_mv[inside] if lowest else history.rest_mv[inside]
    return DaySeries(
        age_d=np.where(mine, (middle - start_s) / S_PER_D, 0.0),
        rest_mv=np.where(mine, rest, np.nan),
        load_mv=np.where(mine & (not lowest), history.load_mv[inside], np.nan),
        noise_mv=history.noise_mv[inside],
        temp_c=history.temp_c[inside],
        floor_mah=history.floor_mah[inside] * own,
        wake_mah=history.wake_mah[inside] * own,
        end_d=max((end_s - start_s) / S_PER_D, 1e-3),
        step_mv=step_mv,
    )


def _before_mah(history: NodeHistory, start_s: float, series: DaySeries) -> float:
    """Charge counted between fitting and the first record, at the pace of the days that are known."""
    if not np.isfinite(history.fitted_s) or start_s > history.started_s + 1.0 or history.fitted_s >= start_s:
        return 0.0
    pace = float((series.floor_mah + series.wake_mah).sum()) / series.end_d
    return pace * (start_s - history.fitted_s) / S_PER_D


def _ahead(history: NodeHistory, start_s: float) -> DrainAhead:
    whole = slice(0, max(len(history.floor_mah) - 1, 1))  # the last day has not ended
    battery_d = int(np.ceil((history.as_of_s - start_s) / S_PER_D))
    skip = 1 if len(history.floor_mah) > 3 else 0  # the first one began late
    return drain_ahead(
        history.floor_mah[whole][skip:],
        history.wake_mah[whole][skip:],
        history.told_temp_c[whole][skip:],
        high_c=history.high_temp_c[whole][skip:],
        battery_days=battery_d,
        last_day=history.first_day + len(history.rest_mv) - 1,
        latitude=history.latitude,
        alive=bool(history.as_of_s - np.nanmax(history.middle_s) < ALIVE_D * S_PER_D),
    )


def _left_over_time(
    shown: Evidence, state: Filtered, outcome: Outcome, start_s: float
) -> tuple[FloatArray, FloatArray]:
    """Charge left at each moment of the evidence, at the start and now: 5, 50 and 95 of 100 draws."""
    dod = np.concatenate([state.particles.start_dod[:, None], state.dod_history, state.dod_frac[:, None]], axis=1)
    left = share_left(dod, outcome.end_dod[:, None], state.particles.start_dod[:, None])
    seconds = start_s + S_PER_D * np.concatenate([[0.0], shown.age_d, [shown.end_d]])
    quantiles = np.quantile(left, [0.05, 0.5, 0.95], axis=0).T
    falling = np.minimum.accumulate(quantiles, axis=0)
    return seconds, np.asarray(falling, dtype=float)
