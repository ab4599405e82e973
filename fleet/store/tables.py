"""The tables. Migrations create them (and never import this); a test compares both.

`wakes` is clustered by (hour, node, t, boot, seq): arrival appends near the end, one node-day is a few pages.
Times are REAL seconds since 1970 UTC; days are whole days since 1970-01-01 UTC; JSON is text.
"""

from __future__ import annotations

from sqlalchemy import (
    REAL,
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.schema import SchemaItem

from fleet.frames import DAY

METADATA = MetaData()


def _real(name: str, nullable: bool = True) -> Column[float]:
    return Column(name, Double().with_variant(REAL, "sqlite"), nullable=nullable)


def _whole(name: str, nullable: bool = False) -> Column[int]:
    return Column(name, BigInteger().with_variant(Integer, "sqlite"), nullable=nullable)


def _text(name: str, nullable: bool = True) -> Column[str]:
    return Column(name, Text, nullable=nullable)


def _table(name: str, *parts: SchemaItem, keyed: bool = False) -> Table:
    """A STRICT table; `keyed` clusters it by its primary key."""
    return Table(name, METADATA, *parts, sqlite_strict=True, sqlite_with_rowid=not keyed)


NODES = _table(
    "nodes",
    Column("node_id", Integer, primary_key=True, autoincrement=True),
    Column("node", Text, nullable=False, unique=True),
    _text("site"),
    _text("profile"),
    _text("chemistry"),
    _real("latitude"),
    _real("longitude"),
    _text("timezone"),
    _real("fitted"),
    _text("key_file"),
    _text("banded_reading"),
    *(_real(name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")),
    _text("note"),
    Column("retired", Integer, nullable=False, server_default="0"),
    Column("known", Integer, nullable=False, server_default="0"),
    _real("first_heard"),
)

SETTINGS = _table(
    "settings",
    Column("set_id", Integer, primary_key=True, autoincrement=True),
    Column("node_id", Integer, ForeignKey("nodes.node_id"), nullable=False),
    _whole("rev"),
    *(_real(name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")),
    _text("digest"),
    _real("first_at"),
    Index("settings_of_node", "node_id", "set_id"),
)

WAKES = _table(
    "wakes",
    _whole("hour"),
    _whole("node_id"),
    _real("t", nullable=False),
    _whole("boot"),
    _whole("seq"),
    _real("arrived", nullable=False),
    _whole("time_from"),
    _real("clock_t"),
    _whole("cause"),
    *(
        _real(name)
        for name in (
            "up_s", "late_s", "reading", "batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "tries", "rssi_dbm",
            "temp_c", "runs", "asleep_n", "asleep_min", "asleep_max", "asleep_mean", "asleep_sd",
        )
    ),
    _whole("set_id", nullable=True),
    _whole("trial", nullable=True),
    _whole("life_wakes", nullable=True),
    _text("extra"),
    PrimaryKeyConstraint("hour", "node_id", "t", "boot", "seq"),
    keyed=True,
)  # fmt: skip

SPANS = _table(
    "spans",
    _whole("node_id"),
    _whole("boot"),
    _real("since", nullable=False),
    _whole("first_seq"),
    _whole("last_seq"),
    _real("last_t", nullable=False),
    PrimaryKeyConstraint("node_id", "boot", "since", "first_seq"),
    keyed=True,
)
"""Closed runs of sequence numbers stored without a hole, `since` to `last_t`: what a receipt may promise, and how a
repeat is known. Lives of a node that count `boot` alike are told apart by `since`."""

SET_ASIDE = _table(
    "set_aside",
    Column("set_aside_id", Integer, primary_key=True, autoincrement=True),
    _real("arrived", nullable=False),
    _text("topic", nullable=False),
    Column("raw", LargeBinary, nullable=False),
    _text("reason", nullable=False),
    _text("detail", nullable=False),
    _text("origin"),
    Column("retried", Integer, nullable=False, server_default="0"),
)

ANSWERS = _table(
    "answers",
    Column("answer_id", Integer, primary_key=True, autoincrement=True),
    _whole("node_id"),
    _real("arrived", nullable=False),
    _whole("rev"),
    _text("answer", nullable=False),
    _text("why"),
)

DIRTY = _table("dirty", _whole("day"), _whole("node_id"), PrimaryKeyConstraint("day", "node_id"), keyed=True)

TAKEN = _table("taken", _whole("day"), _whole("node_id"), PrimaryKeyConstraint("day", "node_id"), keyed=True)
"""Dirty node-days that a roll-up has taken and not yet finished."""

STATE = _table("state", Column("name", Text, primary_key=True), _text("value", nullable=False))
"""Single values: epoch, fleet id, data digests."""

LEASES = _table(
    "leases",
    Column("name", Text, primary_key=True),
    _text("holder", nullable=False),
    _real("until", nullable=False),
)

LATEST = _table(
    "latest",
    Column("node_id", Integer, primary_key=True, autoincrement=False),
    _real("last_heard"),
    _real("t"),
    _whole("boot", nullable=True),
    _whole("seq", nullable=True),
    _whole("cause", nullable=True),
    _real("reading"),
    _real("batt_mv"),
    _real("batt_tx_mv"),
    _real("temp_c"),
    _real("rssi_dbm"),
    _whole("set_id", nullable=True),
    _whole("trial", nullable=True),
    _text("word"),
    _whole("life_wakes", nullable=True),
    _whole("seen", nullable=True),
    _text("digest"),
    _real("days_left_p10"),
    _real("days_left_p50"),
    _real("days_left_p90"),
    _real("charge_left"),
    _real("wakes_per_day"),
    _real("need"),
    _whole("run_boot", nullable=True),
    _whole("run_first", nullable=True),
    _whole("run_last", nullable=True),
    _real("run_since"),
    _real("run_until"),
    Index("latest_by_need", "need"),
)
"""One row a node, for eyes: the ingester writes the first part, the nightly job the estimates.

`run_*` is the run of sequence numbers still growing; closed runs stand in `spans`.
"""


def _day_column(name: str, dtype: str) -> Column[int] | Column[float]:
    return _whole(name) if dtype.startswith("int") else _real(name)


DAYS = _table(
    "days",
    *(_day_column(name, dtype) for name, dtype in DAY.items()),
    PrimaryKeyConstraint("node_id", "day"),
    keyed=True,
)

FLEET_DAYS = _table(
    "fleet_days",
    _text("site", nullable=False),
    _whole("day"),
    *(_real(name) for name in ("nodes", "seen", "missing", "wakes", "band", "batt_mv", "temp_c")),
    PrimaryKeyConstraint("site", "day"),
    keyed=True,
)

WEEKS = _table(
    "weeks",
    _whole("node_id"),
    _whole("week"),
    *(
        _real(name)
        for name in ("seen", "missing", "band", "timer", "reset", "batt_mv", "batt_tx_min_mv", "temp_c", "temp_min_c")
    ),
    PrimaryKeyConstraint("node_id", "week"),
    keyed=True,
)
"""Week n holds days 7n−3 to 7n+3 (Monday to Sunday); 1970-01-01 was a Thursday."""

EVENTS = _table(
    "events",
    Column("event_id", Integer, primary_key=True, autoincrement=True),
    _whole("node_id", nullable=True),
    _text("site"),
    _real("at", nullable=False),
    _text("what", nullable=False),
    _text("note"),
    _real("told_at", nullable=False),
    _text("told_by"),
    Column("undone", Integer, nullable=False, server_default="0"),
)

ESTIMATES = _table(
    "estimates",
    _whole("node_id"),
    _real("as_of", nullable=False),
    _text("result", nullable=False),
    PrimaryKeyConstraint("node_id", "as_of"),
    keyed=True,
)
"""`result` is one flat ESTIMATE row as JSON; kept for every analysis, so that forecasts can be scored."""

CHARGES = _table(
    "charges",
    _whole("node_id"),
    _whole("day"),
    *(_real(name) for name in ("charge_left", "charge_left_lo", "charge_left_hi")),
    PrimaryKeyConstraint("node_id", "day"),
    keyed=True,
)

OUTLOOKS = _table(
    "outlooks",
    _whole("node_id"),
    _whole("ahead_d"),
    *(_real(name) for name in ("p10", "p25", "p50", "p75", "p90")),
    PrimaryKeyConstraint("node_id", "ahead_d"),
    keyed=True,
)

FLAGS = _table(
    "flags",
    _whole("node_id"),
    _text("flag", nullable=False),
    _real("as_of", nullable=False),
    *(_real(name) for name in ("since", "since_lo", "since_hi", "strength")),
    _text("evidence", nullable=False),
    _text("part", nullable=False),
    _text("under", nullable=False),
    PrimaryKeyConstraint("as_of", "node_id", "flag"),
    keyed=True,
)

MUTES = _table(
    "mutes",
    Column("mute_id", Integer, primary_key=True, autoincrement=True),
    _whole("node_id"),
    _text("flag", nullable=False),
    _real("until"),
    _text("why", nullable=False),
    _text("told_by"),
    _real("told_at", nullable=False),
)

ADVICES = _table(
    "advices",
    _whole("node_id"),
    _real("as_of", nullable=False),
    _text("result", nullable=False),
    PrimaryKeyConstraint("node_id", "as_of"),
    keyed=True,
)
"""`result` is one flat ADVICE row as JSON, with the trade-off curve under `curve`."""

ORDERS = _table(
    "orders",
    Column("order_id", Integer, primary_key=True, autoincrement=True),
    _whole("node_id"),
    _whole("release_id", nullable=True),
    _whole("stage", nullable=True),
    _whole("rev", nullable=True),
    _text("kind", nullable=False),
    _text("state", nullable=False),
    _real("state_at", nullable=False),
    *(_real(name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")),
    _whole("trial_wakes", nullable=True),
    _real("issued"),
    _real("until"),
    _whole("until_wake", nullable=True),
    _text("word"),
    _text("topic"),
    Column("sealed", LargeBinary),
    _text("digest"),
    _text("before"),
    _text("predicted"),
    _text("override_reason"),
    _text("override_by"),
    _text("drafted_by"),
    _text("detail"),
    UniqueConstraint("node_id", "rev", "kind"),
    Index("orders_by_state", "state", "node_id"),
)

RELEASES = _table(
    "releases",
    Column("release_id", Integer, primary_key=True, autoincrement=True),
    _text("state", nullable=False),
    _whole("stage"),
    _real("stage_at"),
    _text("why"),
    _text("made_by"),
    _real("made_at", nullable=False),
)

AUDIT = _table(
    "audit",
    Column("n", Integer, primary_key=True, autoincrement=False),
    _real("at", nullable=False),
    _text("who", nullable=False),
    _text("what", nullable=False),
    _text("body", nullable=False),
    _text("previous", nullable=False),
    _text("hash", nullable=False),
)

LINK_EVENTS = _table(
    "link_events",
    Column("link_event_id", Integer, primary_key=True, autoincrement=True),
    _real("at", nullable=False),
    _text("what", nullable=False),
    _text("detail"),
)
"""Broker link: connected, lost, session not kept, dropped counter: "a gap is possible"."""

ARCHIVES = _table(
    "archives",
    Column("file", Text, primary_key=True),
    _whole("first_hour"),
    _whole("last_hour"),
    _whole("rows"),
    _text("sha256", nullable=False),
    _real("made_at", nullable=False),
)

NOTES = _table(
    "notes",
    Column("note_id", Integer, primary_key=True, autoincrement=True),
    _whole("node_id"),
    _real("at", nullable=False),
    _text("text", nullable=False),
    _text("told_by"),
)
