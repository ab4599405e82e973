"""What would happen under other settings: wakes by cause, drain, days left, and the real events still seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.advice.drain import Z80, Budget, days_left
from fleet.advice.match import crossings_count
from fleet.advice.replay import (
    Events,
    Paths,
    events_seen,
    find_events,
    gaps_between,
    run_edge,
    running_sum,
    timer_wakes,
)
from fleet.advice.ripple import Ripple
from fleet.advice.signal import SignalModel
from fleet.messages import BandSettings
from fleet.profiles.profile import Profile
from fleet.units import MS_PER_S, S_PER_D

DEFAULT_EVENT_S = 1800.0
BAND_NAMES = ("lo", "hi", "hyst", "period_ms", "avg")
CHATTER_FACTOR = 2.0
UNSURE_STILL = 0.1
LEVEL_SURER = 0.25  # time outside is better known than crossings
UNSURE_PER_FOLD = 0.2
UNSURE_PER_MATCH = 0.15
UNSURE_PER_AVERAGING = 0.15  # how much of the ripple is new at each poll is not well known


@dataclass(frozen=True)
class Range:
    """A figure with its 80 % interval; NaN where it can't be known."""

    mid: float
    lo: float
    hi: float


@dataclass(frozen=True)
class WhatIf:
    """What one node would do under `settings`; `by_cause` in wakes a day; days are quantiles 10, 50 and 90."""

    settings: BandSettings
    wakes_per_day: Range
    by_cause: dict[str, float]
    drain_mah_per_day: Range
    days: tuple[float, float, float]
    events_seen: Range
    events_count: float
    method: str

    def as_result(self) -> dict[str, Any]:
        """The object of the results contract; figures that can't be known are None."""
        names = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
        result: dict[str, Any] = {"set": {name: getattr(self.settings, name) for name in names}}
        for what in ("wakes_per_day", "drain_mah_per_day", "events_seen"):
            value: Range = getattr(self, what)
            result |= {what: _plain(value.mid), f"{what}_lo": _plain(value.lo), f"{what}_hi": _plain(value.hi)}
        result |= {f"days_left_{name}": _plain(d) for name, d in zip(("p10", "p50", "p90"), self.days, strict=True)}
        return result | {"method": self.method}


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def changed(now: BandSettings, **settings: float | None) -> BandSettings:
    """The settings now with those named replaced; None keeps the present one.

    >>> changed(BandSettings(lo=0.5, hi=2.0, avg=4), hi=2.2, lo=None).hi
    2.2
    """
    given = {name: value for name, value in settings.items() if value is not None}
    if "avg" in given:
        given["avg"] = int(given["avg"])
    return replace_settings(now, given)


def replace_settings(now: BandSettings, given: dict[str, float]) -> BandSettings:
    """A copy with these fields set."""
    fields = {name: getattr(now, name) for name in now.__struct_fields__} | given
    return BandSettings(**fields)


def ripple_under(model: SignalModel, now: BandSettings, new: BandSettings) -> Ripple:
    """The ripple that other averaging and another period make of the same water."""
    ratio = float(np.sqrt((now.avg or 1) / (new.avg or now.avg or 1)))
    stretch = (new.period_ms or 1.0) / (now.period_ms or new.period_ms or 1.0)
    coarse = model.firmware.poll_s > 1.5 * (now.period_ms or 0.0) / MS_PER_S
    # A node whose looks are coarser than its period says keeps them so until the period itself is longer.
    poll_s = (
        max(model.firmware.poll_s, (new.period_ms or 0.0) / MS_PER_S) if coarse else model.firmware.poll_s * stretch
    )
    return model.ripple.other(noise_ratio=ratio, poll_s=poll_s)


def what_if(
    model: SignalModel,
    now: BandSettings,
    new: BandSettings,
    profile: Profile,
    budget: Budget,
    *,
    wider_log_sd: float = 0.0,
) -> WhatIf:
    """What the node would do under other settings.

    Parameters
    ----------
    model
        Of the reading, from `fit_signal`.
    now, new
        Settings in force, and those asked about; both whole.
    profile
        The node's kind: event length and allowed lateness.
    budget
        Where its charge goes now.
    wider_log_sd
        Spread by which past predictions for this node or its like were wrong (see `proof`).

    Notes
    -----
    Draws of the slow reading, held to the records, are run through the band of `new` with the ripple as an expectation;
    the ratio by which the same run under `now` missed the wakes really seen is applied. Where band and polling stay as
    they are the wakes seen are taken and only the timer is worked out in closed form.
    Events are stays of the slow reading outside the band of `now` for at least the profile's `event_s`.
    """
    ripple = ripple_under(model, now, new)
    events = real_events(model, now, profile)
    low, high = (edge_told(model, new, ripple, events, profile, high=high) for high in (False, True))
    band = band_told(model, low, high)
    return judge(model, now, new, budget, band=band, wider_log_sd=wider_log_sd)


@dataclass(frozen=True)
class EdgeTold:
    """One edge's run boiled down: running sum of its matched wakes, their daily mean by draw, and its events seen."""

    total: np.ndarray
    per_d: np.ndarray
    seen: np.ndarray


@dataclass(frozen=True)
class BandTold:
    """Both edges: wakes a day by draw, gaps between wakes for the timer, and the share of events seen."""

    low_per_d: np.ndarray
    high_per_d: np.ndarray
    gaps: list[np.ndarray]
    seen: np.ndarray
    draws_count: int


def real_events(model: SignalModel, now: BandSettings, profile: Profile) -> Events:
    """Stays of the slow reading outside the present band that last at least the profile's `event_s`."""
    return find_events(model.paths, now, (profile.banded.event_s if profile.banded else None) or DEFAULT_EVENT_S)


def edge_told(
    model: SignalModel, settings: BandSettings, ripple: Ripple, events: Events, profile: Profile, *, high: bool
) -> EdgeTold:
    """One edge run under these settings and corrected by what the model missed under the present ones."""
    edge = run_edge(model.paths, settings, ripple, model.firmware, high=high)
    level_rearm = model.firmware.level
    crossings = 0.0 if level_rearm else crossings_count(model.paths, settings, ripple, high=high)
    banded = profile.banded
    late_s = (banded.late_s if banded else None) or (banded.event_s if banded else None) or DEFAULT_EVENT_S
    total = running_sum(model.paths, edge.wakes)
    total *= model.match[high].factor(float(total[:, -1].mean()), crossings)
    per_d = total[:, -1] / max(model.paths.span_d, 1e-6)
    return EdgeTold(total, per_d, events_seen(model.paths, edge, events, model.firmware, late_s=late_s, high=high))


def band_told(model: SignalModel, low: EdgeTold, high: EdgeTold) -> BandTold:
    """Two edges together."""
    paths: Paths = model.paths
    other = np.arange(low.total.shape[1]) * (model.other_per_d * paths.step_s / S_PER_D)
    gaps = gaps_between(paths, low.total + high.total + other)
    return BandTold(low.per_d, high.per_d, gaps, np.concatenate([low.seen, high.seen]), paths.x.shape[0])


def judge(
    model: SignalModel,
    now: BandSettings,
    new: BandSettings,
    budget: Budget,
    *,
    band: BandTold,
    wider_log_sd: float = 0.0,
) -> WhatIf:
    """The figures of `what_if` from runs of the band that are already there (a search shares them)."""
    days = max(model.paths.span_d, 1e-6)
    timer = timer_wakes(band.gaps, new.sleep_s or S_PER_D, model.firmware) / days
    causes = {
        "timer": float(timer.mean()),
        "band_low": float(band.low_per_d.mean()),
        "band_high": float(band.high_per_d.mean()),
        "other": model.other_per_d,
    }
    same_band = all(getattr(now, name) == getattr(new, name) for name in BAND_NAMES)
    both = band.low_per_d + band.high_per_d
    averaged = UNSURE_PER_AVERAGING * abs(float(np.log((new.avg or 1) / (now.avg or new.avg or 1))))
    wider = float(np.hypot(wider_log_sd, averaged))
    log_sd = _band_log_sd(model, causes, both, wider, same_band=same_band)
    wakes = _wakes_range(model, causes, log_sd, new.sleep_s or S_PER_D)
    drain, length = _charge(model, now, new, budget, causes=causes, wakes=wakes)
    method = "closed form" if same_band else "replay" if model.summaries else "modelled series"
    count = len(band.seen) / band.draws_count
    return WhatIf(new, wakes, causes, drain, length, _share_seen(band.seen, count), count, method)


def _band_log_sd(
    model: SignalModel, causes: dict[str, float], band: np.ndarray, wider_log_sd: float, *, same_band: bool
) -> float:
    """Spread of the logarithm of the band wakes predicted."""
    mid = causes["band_low"] + causes["band_high"]
    days = max(model.paths.span_d, 1.0)
    counting = CHATTER_FACTOR / (mid * days + 1.0)
    draws = float(np.var(np.log(np.maximum(band, 0.02)))) if len(band) > 1 else 0.0
    now = sum(model.seen_band) / days
    fold = abs(np.log((mid + 0.3) / (now + 0.3)))
    unmatched = abs(np.log((sum(model.seen_band) + 3.0) / (sum(model.told_band) + 3.0)))
    away = 0.0 if same_band else UNSURE_STILL + UNSURE_PER_FOLD * fold + UNSURE_PER_MATCH * unmatched
    away *= LEVEL_SURER if model.firmware.level else 1.0
    return float(np.sqrt(counting + draws + model.match_log_sd**2 + away**2 + wider_log_sd**2))


def _wakes_range(model: SignalModel, causes: dict[str, float], log_sd: float, sleep_s: float) -> Range:
    """Wakes a day of all causes with their interval; more band wakes leave less room for the timer's."""
    band = causes["band_low"] + causes["band_high"]
    mid = sum(causes.values())
    room = float(np.clip(causes["timer"] * sleep_s / S_PER_D, 0.0, 1.0)) * (
        0.5 if model.firmware.timer_restarts else 0.0
    )
    still = 0.01 * mid
    down = band * -np.expm1(-Z80 * log_sd) * (1.0 - room)
    up = (band * np.expm1(Z80 * log_sd) + 0.02) * (1.0 - room)
    return Range(mid, max(0.0, mid - float(np.hypot(down, still))), mid + float(np.hypot(up, still)))


def _charge(
    model: SignalModel,
    now: BandSettings,
    new: BandSettings,
    budget: Budget,
    *,
    causes: dict[str, float],
    wakes: Range,
) -> tuple[Range, tuple[float, float, float]]:
    """Drain with its interval, and days left."""
    days = max(model.paths.span_d, 1e-6)
    present = {"timer": model.timer_per_d, "band": sum(model.seen_band) / days, "other": model.other_per_d}
    other = {"timer": causes["timer"], "band": causes["band_low"] + causes["band_high"], "other": causes["other"]}
    slower = (now.period_ms or 1.0) / (new.period_ms or now.period_ms or 1.0)
    drain_now = budget.drain_mah_per_day(present)
    mid = budget.drain_mah_per_day(other, slower)
    per_wake = budget.per_wake_mah["band"] * budget.ratio
    low_side = np.hypot((wakes.mid - wakes.lo) * per_wake, mid * -np.expm1(-Z80 * budget.log_sd))
    high_side = np.hypot((wakes.hi - wakes.mid) * per_wake, mid * np.expm1(Z80 * budget.log_sd))
    drain = Range(mid, max(0.0, mid - float(low_side)), mid + float(high_side))
    factor_log_sd = float((wakes.hi - wakes.lo) * per_wake / max(mid, 1e-12) / (2.0 * Z80))
    return drain, days_left(budget, drain_now, mid, factor_log_sd=factor_log_sd)


def _share_seen(seen: np.ndarray, count: float) -> Range:
    """Share of real events seen in time; NaN without any."""
    if not len(seen):
        return Range(float("nan"), float("nan"), float("nan"))
    share = float(seen.mean())
    spread = Z80 * float(np.sqrt((share * (1.0 - share) + 0.25 / (count + 1.0)) / (count + 1.0) + 0.0004))
    return Range(share, max(0.0, share - spread), min(1.0, share + spread))
