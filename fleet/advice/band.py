"""Other bands worth trying: wider, shifted or with hysteresis, inside the limits and never across an alarm."""

from __future__ import annotations

import numpy as np

from fleet.messages import BandSettings
from fleet.profiles.profile import Limits

HYST_SDS = (3.0, 6.0)
HYST_SHARES = (0.1,)
MOVES = (0.05, 0.13, 0.3)


def rounded(value: float, step: float) -> float:
    """A setting a person would write: whole steps of 1, 2 or 5 in a power of ten.

    >>> rounded(0.0473, 0.01)
    0.05
    """
    return float(round(round(value / step) * step, 10))


def _nice_step(width: float) -> float:
    """About a hundredth of the band, as 1, 2 or 5 in a power of ten."""
    power = 10.0 ** np.floor(np.log10(max(width, 1e-9) / 100.0))
    return float(max(m * power for m in (1.0, 2.0, 5.0) if m * power <= width / 100.0 * (1 + 1e-9)))


def hysteresis_tried(now: BandSettings, ripple_sd: float, limits: Limits) -> list[float]:
    """The present hysteresis first, then larger ones by the ripple and by the width of the band."""
    present = now.hyst or 0.0
    if limits.hyst is None or now.lo is None or now.hi is None:
        return [present]
    width = now.hi - now.lo
    step = _nice_step(width)
    wanted = [sd * ripple_sd for sd in HYST_SDS] + [share * width for share in HYST_SHARES]
    most = min(limits.hyst[1], 0.45 * width)
    tried = {rounded(min(max(value, limits.hyst[0]), most), step) for value in wanted}
    return [present, *sorted(value for value in tried if present < value <= most + 1e-12)]


def edges_tried(now: BandSettings, limits: Limits, *, high: bool) -> list[float | None]:
    """The present edge first, then edges moved outwards, inside the limits and short of the alarm."""
    present = now.hi if high else now.lo
    allowed = limits.hi if high else limits.lo
    if present is None or allowed is None or now.lo is None or now.hi is None:
        return [present]
    width = now.hi - now.lo
    step = _nice_step(width)
    least, most = allowed
    if limits.alarm is not None:
        least, most = max(least, limits.alarm[0] + step), min(most, limits.alarm[1] - step)
    away = [present + (width if high else -width) * move for move in MOVES]
    tried = {rounded(min(max(edge, least), most), step) for edge in away}
    tried = {edge for edge in tried if (edge > present if high else edge < present) and least <= edge <= most}
    return [present, *sorted(tried, reverse=not high)]


def averages_tried(now: BandSettings, limits: Limits) -> list[int | None]:
    """The present averaging, and four times as many readings where the limits allow."""
    if now.avg is None or limits.avg is None:
        return [now.avg]
    more = min(limits.avg[1], now.avg * 4)
    return [now.avg, more] if more > now.avg else [now.avg]


def is_allowed(settings: BandSettings, limits: Limits) -> bool:
    """True if no limit of the profile forbids these settings.

    >>> is_allowed(BandSettings(lo=0.1, hi=2.0), Limits(alarm=(0.15, 2.6)))
    False
    """
    for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg"):
        value, allowed = getattr(settings, name), getattr(limits, name)
        if value is not None and allowed is not None and not allowed[0] - 1e-9 <= value <= allowed[1] + 1e-9:
            return False
    lo, hi = settings.lo, settings.hi
    if lo is not None and hi is not None and hi - lo < max(limits.gap_min or 0.0, 0.0) - 1e-9:
        return False
    if limits.silence_s is not None and settings.sleep_s is not None and settings.sleep_s > limits.silence_s:
        return False
    if limits.alarm is None:
        return True
    return (lo is None or lo > limits.alarm[0]) and (hi is None or hi < limits.alarm[1])
