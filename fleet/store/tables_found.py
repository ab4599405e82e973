"""The tables of what was worked out and decided: day rows, findings, orders, the audit chain, the archive's files."""

from __future__ import annotations

from sqlalchemy import Column, Index, Integer, LargeBinary, PrimaryKeyConstraint, Text, UniqueConstraint

from fleet.frames import DAY
from fleet.store.columns import real, table, text_, whole


def _day_column(name: str, dtype: str) -> Column[int] | Column[float]:
    return whole(name) if dtype.startswith("int") else real(name)


DAYS = table(
    "days",
    *(_day_column(name, dtype) for name, dtype in DAY.items()),
    PrimaryKeyConstraint("node_id", "day"),
    keyed=True,
)

FLEET_DAYS = table(
    "fleet_days",
    text_("site", nullable=False),
    whole("day"),
    *(real(name) for name in ("nodes", "seen", "missing", "wakes", "band", "batt_mv", "temp_c")),
    PrimaryKeyConstraint("site", "day"),
    keyed=True,
)

WEEKS = table(
    "weeks",
    whole("node_id"),
    whole("week"),
    *(
        real(name)
        for name in ("seen", "missing", "band", "timer", "reset", "batt_mv", "batt_tx_min_mv", "temp_c", "temp_min_c")
    ),
    PrimaryKeyConstraint("node_id", "week"),
    keyed=True,
)
"""Week n holds days 7n−3 to 7n+3 (Monday to Sunday); 1970-01-01 was a Thursday."""

EVENTS = table(
    "events",
    Column("event_id", Integer, primary_key=True, autoincrement=True),
    whole("node_id", nullable=True),
    text_("site"),
    real("at", nullable=False),
    text_("what", nullable=False),
    text_("note"),
    real("told_at", nullable=False),
    text_("told_by"),
    Column("undone", Integer, nullable=False, server_default="0"),
)

ESTIMATES = table(
    "estimates",
    whole("node_id"),
    real("as_of", nullable=False),
    text_("result", nullable=False),
    PrimaryKeyConstraint("node_id", "as_of"),
    keyed=True,
)
"""`result` is one flat ESTIMATE row as JSON; kept for every analysis, so that forecasts can be scored."""

CHARGES = table(
    "charges",
    whole("node_id"),
    whole("day"),
    *(real(name) for name in ("charge_left", "charge_left_lo", "charge_left_hi")),
    PrimaryKeyConstraint("node_id", "day"),
    keyed=True,
)

OUTLOOKS = table(
    "outlooks",
    whole("node_id"),
    whole("ahead_d"),
    *(real(name) for name in ("p10", "p25", "p50", "p75", "p90")),
    PrimaryKeyConstraint("node_id", "ahead_d"),
    keyed=True,
)

FLAGS = table(
    "flags",
    whole("node_id"),
    text_("flag", nullable=False),
    real("as_of", nullable=False),
    *(real(name) for name in ("since", "since_lo", "since_hi", "strength")),
    text_("evidence", nullable=False),
    text_("part", nullable=False),
    text_("under", nullable=False),
    PrimaryKeyConstraint("as_of", "node_id", "flag"),
    keyed=True,
)

MUTES = table(
    "mutes",
    Column("mute_id", Integer, primary_key=True, autoincrement=True),
    whole("node_id"),
    text_("flag", nullable=False),
    real("until"),
    text_("why", nullable=False),
    text_("told_by"),
    real("told_at", nullable=False),
)

ADVICES = table(
    "advices",
    whole("node_id"),
    real("as_of", nullable=False),
    text_("result", nullable=False),
    PrimaryKeyConstraint("node_id", "as_of"),
    keyed=True,
)
"""`result` is one flat ADVICE row as JSON, with the trade-off curve under `curve`."""

ORDERS = table(
    "orders",
    Column("order_id", Integer, primary_key=True, autoincrement=True),
    whole("node_id"),
    whole("release_id", nullable=True),
    whole("stage", nullable=True),
    whole("rev", nullable=True),
    text_("kind", nullable=False),
    text_("state", nullable=False),
    real("state_at", nullable=False),
    *(real(name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")),
    whole("trial_wakes", nullable=True),
    real("issued"),
    real("until"),
    whole("until_wake", nullable=True),
    text_("word"),
    text_("topic"),
    Column("sealed", LargeBinary),
    text_("digest"),
    text_("before"),
    text_("predicted"),
    text_("override_reason"),
    text_("override_by"),
    text_("drafted_by"),
    text_("detail"),
    UniqueConstraint("node_id", "rev", "kind"),
    Index("orders_by_state", "state", "node_id"),
)

RELEASES = table(
    "releases",
    Column("release_id", Integer, primary_key=True, autoincrement=True),
    text_("state", nullable=False),
    whole("stage"),
    real("stage_at"),
    text_("why"),
    text_("made_by"),
    real("made_at", nullable=False),
)

AUDIT = table(
    "audit",
    Column("n", Integer, primary_key=True, autoincrement=False),
    real("at", nullable=False),
    text_("who", nullable=False),
    text_("what", nullable=False),
    text_("body", nullable=False),
    text_("previous", nullable=False),
    text_("hash", nullable=False),
)

LINK_EVENTS = table(
    "link_events",
    Column("link_event_id", Integer, primary_key=True, autoincrement=True),
    real("at", nullable=False),
    text_("what", nullable=False),
    text_("detail"),
)
"""Broker link: connected, lost, session not kept, dropped counter: "a gap is possible"."""

ARCHIVES = table(
    "archives",
    Column("file", Text, primary_key=True),
    whole("first_hour"),
    whole("last_hour"),
    whole("rows"),
    text_("sha256", nullable=False),
    real("made_at", nullable=False),
)

NOTES = table(
    "notes",
    Column("note_id", Integer, primary_key=True, autoincrement=True),
    whole("node_id"),
    real("at", nullable=False),
    text_("text", nullable=False),
    text_("told_by"),
)
