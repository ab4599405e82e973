"""Every setting worth trying for one node, what each would bring, and the best of them at each wake count."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from fleet.advice.band import averages_tried, edges_tried, hysteresis_tried, is_allowed
from fleet.advice.drain import Budget
from fleet.advice.interval import intervals_tried, periods_tried
from fleet.advice.signal import SignalModel
from fleet.advice.whatif import (
    BandTold,
    EdgeTold,
    WhatIf,
    band_told,
    edge_told,
    judge,
    real_events,
    replace_settings,
    ripple_under,
)
from fleet.messages import BandSettings
from fleet.profiles.profile import Profile

DRAWS_FOR_SEARCH = 1
COPROCESSOR_RULES = 0.15
UNJUDGED_SEEN = 0.9


@dataclass(frozen=True)
class Option:
    """One setting tried, how many of the settings it changes, and whether a threshold is among them."""

    result: WhatIf
    changes_count: int
    moves_edge: bool = False

    @property
    def seen(self) -> float:
        """Share of real events seen. Without any to judge by, a moved threshold is taken to miss some."""
        mid = self.result.events_seen.mid
        return mid if np.isfinite(mid) else UNJUDGED_SEEN if self.moves_edge else 1.0


def search(
    model: SignalModel, now: BandSettings, profile: Profile, budget: Budget, *, wider_log_sd: float = 0.0
) -> list[Option]:
    """What every setting worth trying would bring; the first is the present one.

    Notes
    -----
    Low edge, high edge and timer do not touch each other but through the timer's restart, so each edge is run once for
    every place and hysteresis, and the runs are combined. Bands first with the present interval; then longer intervals
    for the bands on the trade-off curve only. Searched on one draw; finalists are judged on all.
    """
    small = replace(model, paths=replace(model.paths, x=model.paths.x[:DRAWS_FOR_SEARCH]))
    events = real_events(small, now, profile)
    edges: dict[tuple[object, ...], EdgeTold] = {}
    bands: dict[tuple[object, ...], BandTold] = {}

    def edge(settings: BandSettings, *, high: bool) -> EdgeTold:
        key = (high, settings.hi if high else settings.lo, settings.hyst, settings.avg, settings.period_ms)
        if key not in edges:
            ripple = ripple_under(small, now, settings)
            edges[key] = edge_told(small, settings, ripple, events, profile, high=high)
        return edges[key]

    def tried(settings: BandSettings) -> Option:
        key = (settings.lo, settings.hi, settings.hyst, settings.avg, settings.period_ms)
        if key not in bands:
            bands[key] = band_told(small, edge(settings, high=False), edge(settings, high=True))
        result = judge(small, now, settings, budget, band=bands[key], wider_log_sd=wider_log_sd)
        changes = sum(getattr(now, name) != getattr(settings, name) for name in _NAMES)
        return Option(result, changes, moves_edge=(settings.lo, settings.hi) != (now.lo, now.hi))

    first = [tried(settings) for settings in _bands(model, now, profile)]
    good = trade_off(first)
    longer = [tried(settings) for option in good for settings in _slower(option.result.settings, profile, budget)]
    return first + longer


_NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")


def _bands(model: SignalModel, now: BandSettings, profile: Profile) -> Iterable[BandSettings]:
    """The present settings, then other bands inside the limits."""
    yield now
    limits = profile.limits
    near_edge = sum(model.seen_band) / max(model.paths.span_d, 1e-6) > 0.2
    if not near_edge:
        return
    lows = edges_tried(now, limits, high=False) if model.seen_band[0] > 1 else [now.lo]
    highs = edges_tried(now, limits, high=True) if model.seen_band[1] > 1 else [now.hi]
    for hyst in hysteresis_tried(now, model.ripple.sd, limits):
        for lo in lows:
            for hi in highs:
                settings = replace_settings(now, _given(lo=lo, hi=hi, hyst=hyst))
                if is_allowed(settings, limits) and settings != now:
                    yield settings
    for avg in averages_tried(now, limits)[1:]:
        yield replace_settings(now, _given(avg=avg))


def _given(**values: float | None) -> dict[str, float]:
    return {name: value for name, value in values.items() if value is not None}


def _slower(settings: BandSettings, profile: Profile, budget: Budget) -> Iterable[BandSettings]:
    """The same band with a longer timer interval, and with a slower coprocessor where that rules the drain."""
    limits = profile.limits
    late_s = (profile.banded.late_s if profile.banded else None) or 60.0
    rules = budget.coprocessor_mah_per_d > COPROCESSOR_RULES * (budget.asleep_mah_per_d + budget.coprocessor_mah_per_d)
    periods = periods_tried(settings.period_ms, limits, late_s) if rules else [settings.period_ms]
    for sleep_s in intervals_tried(settings.sleep_s, limits):
        for period_ms in periods:
            other = replace_settings(settings, _given(sleep_s=sleep_s, period_ms=period_ms))
            if other != settings and is_allowed(other, limits):
                yield other


def trade_off(options: list[Option]) -> list[Option]:
    """Options that no other beats in both drain and events seen, by falling drain."""
    cost = np.array([option.result.drain_mah_per_day.mid for option in options])
    seen = np.array([option.seen for option in options])
    order = np.lexsort((-seen, cost))
    best, kept = -np.inf, []
    for index in order:
        if seen[index] > best + 1e-3:
            kept.append(options[int(index)])
            best = float(seen[index])
    return kept[::-1]


def knee(curve: list[Option]) -> Option:
    """The option of the curve farthest from the straight line between its ends.

    Notes
    -----
    Both axes scaled to the curve's own range. Source: common practice, no source.
    """
    if len(curve) < 3:
        return curve[-1] if len(curve) == 1 or curve[0].seen - curve[-1].seen < 0.02 else curve[0]
    cost = np.array([option.result.drain_mah_per_day.mid for option in curve])
    seen = np.array([option.seen for option in curve])
    x = (cost - cost.min()) / max(float(np.ptp(cost)), 1e-12)
    y = (seen - seen.min()) / max(float(np.ptp(seen)), 1e-12)
    return curve[int(np.argmax(y - x))]
