"""What other wake counts and another coprocessor period do to a node's drain and to the days it has left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from fleet.profiles.profile import Figure, Profile
from fleet.units import H_PER_D, MC_PER_MAH, MS_PER_S, S_PER_D, UA_PER_MA, US_PER_S
from fleet.words import Cause

GROUPS = ("timer", "band", "other")
Z80 = 1.2815515655446004


@dataclass(frozen=True)
class Budget:
    """Where a node's charge goes now, and how long it will last so.

    `asleep_mah_per_d` is sleep current and self-discharge; `per_wake_mah` the cost of one wake of each group, radio
    included; `ratio` what the battery loses over what the parts explain; days are quantiles, NaN where not known.
    """

    asleep_mah_per_d: float
    coprocessor_mah_per_d: float
    per_wake_mah: Mapping[str, float]
    ratio: float
    log_sd: float
    days_p10: float
    days_p50: float
    days_p90: float

    def drain_mah_per_day(self, wakes: Mapping[str, float], coprocessor_factor: float = 1.0) -> float:
        """Drain with these wakes a day by group. [mAh/day]

        >>> cost = {"timer": 0.1, "band": 0.2, "other": 0.0}
        >>> budget = Budget(0.2, 0.02, cost, 1.0, 0.1, np.nan, np.nan, np.nan)
        >>> round(budget.drain_mah_per_day({"timer": 10.0, "band": 5.0}), 6)
        2.22
        """
        spent = sum(self.per_wake_mah[group] * count for group, count in wakes.items())
        return self.ratio * (self.asleep_mah_per_d + self.coprocessor_mah_per_d * coprocessor_factor + spent)


def budget_from_profile(profile: Profile, *, period_ms: float | None = None) -> Budget:
    """Budget by the profile alone: no battery was seen, so the days are not known."""
    coprocessor_ma = 0.0
    if profile.coprocessor is not None:
        run_s = profile.coprocessor.run_us.mean / US_PER_S
        coprocessor_ma = (
            profile.coprocessor.run_ma.mean * run_s * MS_PER_S / (period_ms or profile.coprocessor.period_ms)
        )
    names = {"timer": ("timer",), "band": ("band_low", "band_high"), "other": ("pin", "touch", "count")}
    per_wake = {group: float(np.mean([_wake_mah(profile, name) for name in causes])) for group, causes in names.items()}
    asleep_mah_per_d = profile.sleep.current_ua.mean / UA_PER_MA * H_PER_D
    return Budget(asleep_mah_per_d, coprocessor_ma * H_PER_D, per_wake, 1.0, 0.15, np.nan, np.nan, np.nan)


def _wake_mah(profile: Profile, cause: str) -> float:
    """Charge of one wake by the profile. [mAh]"""
    differs = profile.cause.get(cause)
    current = (differs.current_ma if differs else None) or profile.wake.current_ma
    length = (differs.length_ms if differs else None) or profile.wake.length_ms
    radio = profile.radio if differs is None or differs.radio else None
    return (_mc(current, length) + (_mc(radio.current_ma, radio.length_ms) if radio else 0.0)) / MC_PER_MAH


def _mc(current_ma: Figure, length_ms: Figure) -> float:
    return current_ma.mean * length_ms.mean / MS_PER_S


def budget_from_estimate(row: Mapping[str, Any], profile: Profile, *, period_ms: float | None = None) -> Budget:
    """Budget by the node's own estimate; the profile fills what the estimate does not know.

    Parameters
    ----------
    row
        One row of the ESTIMATE frame.
    profile
        Its kind.
    period_ms
        Coprocessor period now. [ms]
    """
    plain = budget_from_profile(profile, period_ms=period_ms)
    wakes = {cause: _number(row, f"wakes_{cause.word}") for cause in Cause}
    parts = {cause: _number(row, f"part_wake_{cause.word}") for cause in Cause}
    span_d = (_number(row, "as_of") - _number(row, "since")) / S_PER_D
    drain = _number(row, "drain_mah_per_day")
    if not (np.isfinite(drain) and drain > 0 and span_d > 0):
        return plain
    total = float(np.nansum(list(wakes.values())))
    radio = np.nan_to_num(_number(row, "part_radio")) * span_d / max(total, 1e-9)
    per_wake = dict(plain.per_wake_mah)
    for group in GROUPS:
        mine = [cause for cause in Cause if _group(cause) == group]
        count = float(np.nansum([wakes[cause] for cause in mine]))
        cost = float(np.nansum([parts[cause] for cause in mine])) * span_d
        if count >= 5 and cost > 0:
            per_wake[group] = cost / count + radio
    asleep = float(np.nansum([_number(row, "part_sleep"), _number(row, "part_self_discharge")]))
    coprocessor = float(np.nan_to_num(_number(row, "part_coprocessor")))
    explained = asleep + coprocessor + sum(per_wake[_group(c)] * np.nan_to_num(n) / span_d for c, n in wakes.items())
    spread = _log_sd(_number(row, "drain_mah_per_day_lo"), _number(row, "drain_mah_per_day_hi"), z=1.6448536)
    ratio = float(np.clip(drain / max(explained, 1e-12), 0.05, 50.0))
    days = [_number(row, f"days_left_{name}") for name in ("p10", "p50", "p90")]
    return Budget(asleep, coprocessor, per_wake, ratio, spread, *days)


def _number(row: Mapping[str, Any], name: str) -> float:
    value = row.get(name)
    return float("nan") if value is None else float(value)


def _group(cause: Cause) -> str:
    if cause is Cause.TIMER:
        return "timer"
    return "band" if cause in (Cause.BAND_LOW, Cause.BAND_HIGH) else "other"


def _log_sd(lo: float, hi: float, *, z: float) -> float:
    """Spread of the logarithm that an interval implies; 0.15 where there is none."""
    return float(np.log(hi / lo) / (2.0 * z)) if np.isfinite(lo) and np.isfinite(hi) and 0 < lo <= hi else 0.15


def days_left(
    budget: Budget, now_mah_per_day: float, new_mah_per_day: float, *, factor_log_sd: float
) -> tuple[float, float, float]:
    """Quantiles 10, 50, 90 of the days left at another drain: charge left stays what it is.

    Parameters
    ----------
    budget
        With the days left at the present drain.
    now_mah_per_day, new_mah_per_day
        Drain under the present and the other settings. [mAh/day]
    factor_log_sd
        Spread of the logarithm of their ratio.

    Examples
    --------
    Half the drain, twice the days; an unsure drain widens the outer quantiles only:

    >>> budget = Budget(0.0, 0.0, {}, 1.0, 0.1, 80.0, 100.0, 125.0)
    >>> [round(d, 1) for d in days_left(budget, 2.0, 1.0, factor_log_sd=0.0)]
    [160.0, 200.0, 250.0]
    """
    factor = now_mah_per_day / new_mah_per_day
    middle = budget.days_p50 * factor
    down = np.hypot(np.log(budget.days_p50 / max(budget.days_p10, 1e-3)) / Z80, factor_log_sd)
    up = np.hypot(np.log(max(budget.days_p90, 1e-3) / max(budget.days_p50, 1e-3)) / Z80, factor_log_sd)
    return float(middle * np.exp(-Z80 * down)), float(middle), float(middle * np.exp(Z80 * up))


def odds_of_lasting(days: tuple[float, float, float], until_d: float) -> float:
    """Chance that a node lasts so many days, from its three quantiles (split log-normal); NaN if they are not known.

    >>> round(odds_of_lasting((80.0, 100.0, 125.0), 80.0), 2)
    0.9
    """
    low, middle, high = days
    if not np.isfinite(middle) or middle <= 0:
        return float("nan")
    side = low if until_d < middle else high
    spread = abs(np.log(max(side, 1e-3) / middle)) / Z80
    return float(ndtr(np.log(middle / max(until_d, 1e-3)) / max(spread, 1e-3)))
