"""What no order may do: limits G1 to G8, each with what was found and what is allowed."""

from __future__ import annotations

from datetime import datetime

import msgspec

from fleet.messages import BandSettings
from fleet.profiles.profile import Limits, Profile

SILENCE_DEFAULT_S = 86_400.0
LONGER_AT_MOST = 2.0
LEAST_RECORDS = 50
LEAST_DAYS = 7.0
END_TOO_NEAR_D = 7.0
BROWNOUT_MARGIN_MV = 100.0
AIRTIME_SHARE = 0.001
PASSIVATING = "li-socl2"
ROUNDING = 1e-9
"""2.0 − 1.8 is less than 0.2 to a computer; no reading is that fine."""


class NodeState(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of a node when an order is to be sealed; None is not known. Times [s], voltages [mV], lives [d]."""

    node: str
    now: BandSettings
    records_count: int = 0
    span_d: float = 0.0
    open_faults: tuple[str, ...] = ()
    loaded_mv: float | None = None
    days_left_p10: float | None = None
    service_d: float | None = None
    drain_ratio_new: float | None = None
    wakes_per_d_new: float | None = None
    radio_s_per_wake: float | None = None
    key_known: bool = True
    sent_last_hour_count: int = 0
    seen_settings: bool = True


class Breach(msgspec.Struct, frozen=True):
    """One limit that an order breaks."""

    code: str
    text: str


def breaches(wanted: BandSettings, state: NodeState, profile: Profile, *, per_hour: int) -> list[Breach]:
    """Every limit that these settings break for this node; an empty list lets the order pass.

    Notes
    -----
    G1 silence, G2 alarm band, G3 brown-out guard, G4 airtime, G5 evidence, G6 rate, G7 coprocessor, G8 unknown node.
    The limits of the profile's `[limits]` come on top as `range`. Airtime: the strictest sub-band of EN 300 220-2
    that is printed in public code, 0.1 % of an hour; local radio rules go before it.
    """
    found = [
        *_ranges(wanted, profile.limits),
        *_silence(wanted, state, profile.limits),
        *_alarm(wanted, profile.limits),
        *_supply(wanted, state, profile),
        *_airtime(state),
        *_evidence(state),
        *_coprocessor(wanted, profile),
    ]
    if state.sent_last_hour_count >= per_hour:
        found.append(Breach("G6", f"{state.sent_last_hour_count} orders left in the last hour; {per_hour} are allowed"))
    if not state.key_known and profile.orders.signed:
        found.append(Breach("G8", "its key generation is not known; make a key with `wakeledger keys make`"))
    if not state.seen_settings:
        found.append(Breach("G8", "it has never told its settings; its firmware may not take orders"))
    return [Breach(one.code, f"{state.node}: {one.code}: {one.text}") for one in found]


def _ranges(wanted: BandSettings, limits: Limits) -> list[Breach]:
    found = []
    for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg"):
        allowed, value = getattr(limits, name), getattr(wanted, name)
        if value is None:
            found.append(Breach("range", f"{name} is missing; an order carries the whole settings"))
        elif allowed is not None and not allowed[0] <= value <= allowed[1]:
            found.append(Breach("range", f"{name} {value:g} is outside {allowed[0]:g} … {allowed[1]:g}"))
    if wanted.lo is not None and wanted.hi is not None:
        gap = limits.gap_min or 0.0
        if wanted.hi - wanted.lo < gap - ROUNDING or wanted.hi <= wanted.lo:
            found.append(Breach("range", f"hi − lo is {wanted.hi - wanted.lo:g}; at least {gap:g} is asked for"))
        if wanted.hyst is not None and wanted.hyst >= wanted.hi - wanted.lo:
            found.append(Breach("range", f"hyst {wanted.hyst:g} leaves no room inside the band"))
    return found


def _silence(wanted: BandSettings, state: NodeState, limits: Limits) -> list[Breach]:
    longest = limits.silence_s or SILENCE_DEFAULT_S
    if wanted.sleep_s is None:
        return []
    if wanted.sleep_s > longest:
        return [Breach("G1", f"sleep_s {wanted.sleep_s:g} is longer than the silence allowed, {longest:g} s")]
    if state.now.sleep_s and wanted.sleep_s > LONGER_AT_MOST * state.now.sleep_s:
        return [
            Breach("G1", f"sleep_s {wanted.sleep_s:g} is over twice the present {state.now.sleep_s:g} s in one order")
        ]
    return []


def _alarm(wanted: BandSettings, limits: Limits) -> list[Breach]:
    if limits.alarm is None or wanted.lo is None or wanted.hi is None:
        return []
    low, high = limits.alarm
    found = []
    if wanted.lo <= low:
        found.append(Breach("G2", f"lo {wanted.lo:g} is not above the alarm limit {low:g}"))
    if wanted.hi >= high:
        found.append(Breach("G2", f"hi {wanted.hi:g} is not below the alarm limit {high:g}"))
    return found


def _supply(wanted: BandSettings, state: NodeState, profile: Profile) -> list[Breach]:
    found = []
    floor_mv = profile.battery.cutoff_mv + BROWNOUT_MARGIN_MV
    if state.loaded_mv is not None and state.loaded_mv < floor_mv:
        found.append(Breach("G3", f"{state.loaded_mv:.0f} mV under load; no order below {floor_mv:.0f} mV"))
    if state.days_left_p10 is not None and state.days_left_p10 < END_TOO_NEAR_D:
        found.append(
            Breach("G3", f"P10 of its life is {state.days_left_p10:.0f} d; no order within {END_TOO_NEAR_D:.0f} d")
        )
    short = state.days_left_p10 is not None and state.service_d is not None and state.days_left_p10 < state.service_d
    if short and (state.drain_ratio_new or 0.0) > 1.0:
        found.append(Breach("G3", "it would drain faster, and its life does not reach the next visit as it is"))
    longer = wanted.sleep_s is not None and state.now.sleep_s is not None and wanted.sleep_s > state.now.sleep_s
    if profile.battery.chemistry == PASSIVATING and longer and state.loaded_mv is None:
        found.append(Breach("G3", "longer sleep deepens this cell's voltage dip; a reading under load is needed first"))
    return found


def _airtime(state: NodeState) -> list[Breach]:
    if state.wakes_per_d_new is None or state.radio_s_per_wake is None:
        return []
    share = state.wakes_per_d_new * state.radio_s_per_wake * AIRTIME_OF_RADIO_SHARE / 86_400.0
    if share <= AIRTIME_SHARE:
        return []
    return [Breach("G4", f"it would be on the air {share:.2%} of the time; {AIRTIME_SHARE:.1%} is allowed")]


AIRTIME_OF_RADIO_SHARE = 0.1
"""Share of radio-on time that is transmission; common practice, no source."""


def _evidence(state: NodeState) -> list[Breach]:
    if state.records_count < LEAST_RECORDS or state.span_d < LEAST_DAYS:
        found = f"{state.records_count} records over {state.span_d:.0f} d"
        return [Breach("G5", f"{found}; at least {LEAST_RECORDS} over {LEAST_DAYS:.0f} d are needed")]
    return [Breach("G5", f"{fault} is open on it; mend that first") for fault in state.open_faults]


def _coprocessor(wanted: BandSettings, profile: Profile) -> list[Breach]:
    if profile.coprocessor is None or wanted.period_ms is None or wanted.avg is None:
        return []
    busy_ms = wanted.avg * profile.coprocessor.run_us.mean / 1000.0
    if busy_ms <= wanted.period_ms:
        return []
    return [Breach("G7", f"{wanted.avg:g} readings take {busy_ms:g} ms; the period is {wanted.period_ms:g} ms")]


def needs_second_person(found: list[Breach]) -> bool:
    """Whether an override of these breaches is one that a second person must sign: any of them is.

    >>> needs_second_person([])
    False
    """
    return bool(found)


def overridden(found: list[Breach], *, reason: str, by: str, second: str, now_at: datetime) -> str:
    """The sentence that stands in the audit and in every report until the order is undone.

    Raises
    ------
    LimitError
        If the reason is empty, or both names are the same person.
    """
    from fleet.errors import LimitError

    if not reason.strip() or not second.strip() or second.strip().lower() == by.strip().lower():
        raise LimitError(
            f"override: needs a reason and a second person; got reason {reason!r}, by {by!r}, second {second!r}."
            " Say --override REASON --second NAME."
        )
    codes = ", ".join(sorted({one.code for one in found}))
    return f"{codes} overridden on {now_at:%Y-%m-%d} by {by} and {second}: {reason}"
