"""One weekly report as plain frozen values. Every form renders this and nothing else; `report.json` is this."""

from __future__ import annotations

import msgspec

SCHEMA = "wakeledger.report/1"
STATES = ("due", "soon", "holds", "unsure")
PARTS = ("self_discharge", "sleep", "coprocessor", "wake_timer", "wake_band", "wake_other", "radio", "unaccounted")
"""Where charge goes, in stacking order."""


class Plain(msgspec.Struct, frozen=True, kw_only=True):
    """Base: values only; moments are seconds since 1970 UTC, days are dates in the site's zone (ISO 8601)."""


class VisitDay(Plain, frozen=True):
    """A date by which a node should hold; `planned` is False where nobody has planned it."""

    day: str
    ahead_d: float
    planned: bool


class FlagLine(Plain, frozen=True):
    """One open flag."""

    flag: str
    since_day: str | None
    strength: float | None
    evidence: str
    part: str
    under: str


class AdviceLine(Plain, frozen=True):
    """Proposed settings, those in force, and what the change would do (80 % interval)."""

    now: dict[str, float]
    proposed: dict[str, float]
    wakes_per_day: tuple[float | None, float | None, float | None]
    drain_mah_per_day: tuple[float | None, float | None, float | None]
    events_seen: tuple[float | None, float | None, float | None]
    days_left: tuple[float | None, float | None, float | None]
    method: str
    sentence: str
    remedy: str


class NodeLine(Plain, frozen=True):
    """All that the report says of one node. None is not known."""

    node_id: int
    node: str
    site: str
    chemistry: str
    cells: int
    state: str
    why_unsure: str
    last_heard: float | None
    silent_since_day: str | None
    latitude: float | None
    longitude: float | None
    charge_left: float | None
    charge_left_lo: float | None
    charge_left_hi: float | None
    days_left_p10: float | None
    days_left_p50: float | None
    days_left_p90: float | None
    day_p10: str | None
    day_p50: str | None
    day_p90: str | None
    lasts_next: float | None
    lasts_after: float | None
    wakes_per_day: float | None
    wakes_ratio: float | None
    drain_mah_per_day: float | None
    drain_mah_per_day_lo: float | None
    drain_mah_per_day_hi: float | None
    parts: dict[str, float | None]
    flags: list[FlagLine]
    advice: AdviceLine | None
    history: list[tuple[int, float]]
    fan: list[tuple[int, float, float, float, float, float]]


class MovedDate(Plain, frozen=True):
    """A site's visit on another date: what would have gone flat by then."""

    day: str
    weeks: int
    all_last: float | None
    flat_expected: float


class SiteLine(Plain, frozen=True):
    """One site and its next visits."""

    site: str
    timezone: str
    node_count: int
    by_state: dict[str, int]
    next_visit: VisitDay
    visit_after: VisitDay
    all_last_next: float | None
    all_last_after: float | None
    flat_expected: float
    moved: list[MovedDate]
    bring: dict[str, int]
    wakes_median: float | None
    parts_median: dict[str, float | None]


class RoundLine(Plain, frozen=True):
    """Sites worth joining in one trip, with the odds that decided it."""

    day: str
    planned: bool
    sites: list[str]
    flat_expected: float
    all_last: float | None
    cells: dict[str, int]


class CalendarEvent(Plain, frozen=True):
    """One visit of one site in the calendar; the sequence rises when it changes, a dropped one stays as cancelled."""

    uid: str
    day: str
    site: str
    cells: dict[str, int]
    sequence: int
    cancelled: bool


class Change(Plain, frozen=True):
    """A node that moved between states since the week before; `cause` is a catalogue key."""

    node: str
    site: str
    before: str
    now: str
    cause: str
    p50_before_day: str | None
    p50_now_day: str | None


class OrderLine(Plain, frozen=True):
    """An order whose state changed this week."""

    node: str
    state: str
    day: str
    rev: int | None


class Strip(Plain, frozen=True):
    """When one node woke: wakes by local day, hour and cause group; days without any record are listed."""

    node: str
    site: str
    first_day: str
    days: int
    cells: list[tuple[int, int, str, int]]
    silent: list[int]
    by_hour: bool


class OverrideLine(Plain, frozen=True):
    """An order past a limit, by override, that nobody has undone."""

    node: str
    text: str
    since_day: str | None


class Sure(Plain, frozen=True):
    """What the report's certainty rests on."""

    coverage: float | None
    coverage_lo: float | None
    coverage_hi: float | None
    ended_count: int
    forecasts_count: int
    flat_forecast: float | None
    flat_seen: int | None
    unsure: dict[str, int]
    records_seen: int | None
    records_missing: int | None
    set_aside_count: int | None
    overrides_count: int | None
    audit_head: str | None
    assumed_dates: bool
    overrides: list[OverrideLine] = []
    correction: float | None = None
    """Factor by which the report's ranges are wider than estimated; None where too few lives have ended to tell."""
    flat_forecast_lo: int | None = None
    flat_forecast_hi: int | None = None


class ReportModel(Plain, frozen=True):
    """The whole report."""

    schema: str
    report_id: str
    title: str
    week: str
    as_of: float
    as_of_day: str
    timezone: str
    version: str
    settings_digest: str
    data_digest: str
    node_count: int
    site_count: int
    by_state: dict[str, int]
    next_visit: VisitDay | None
    visit_after: VisitDay | None
    bring: dict[str, int]
    nodes: list[NodeLine]
    sites: list[SiteLine]
    rounds: list[RoundLine]
    calendar: list[CalendarEvent]
    changes: list[Change]
    orders: list[OrderLine]
    strips: list[Strip]
    sure: Sure
    positions: str = "exact"
    background: list[list[tuple[float, float]]] = []
    background_left_out: str = ""
