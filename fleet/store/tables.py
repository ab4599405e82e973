"""The tables. Migrations create them (and never import this); a test compares both.

`wakes` is clustered by (hour, node, t, boot, seq): arrival appends near the end, one node-day is a few pages.
Times are REAL seconds since 1970 UTC; days are whole days since 1970-01-01 UTC; JSON is text.
"""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, Integer, LargeBinary, PrimaryKeyConstraint, Text

from fleet.store.columns import METADATA, real, table, text_, whole
from fleet.store.tables_found import (
    ADVICES,
    ARCHIVES,
    AUDIT,
    CHARGES,
    DAYS,
    ESTIMATES,
    EVENTS,
    FLAGS,
    FLEET_DAYS,
    LINK_EVENTS,
    MUTES,
    NOTES,
    ORDERS,
    OUTLOOKS,
    RELEASES,
    WEEKS,
)

__all__ = [
    "ADVICES",
    "ANSWERS",
    "ARCHIVES",
    "AUDIT",
    "CHARGES",
    "DAYS",
    "DIRTY",
    "ESTIMATES",
    "EVENTS",
    "FLAGS",
    "FLEET_DAYS",
    "LATEST",
    "LEASES",
    "LINK_EVENTS",
    "METADATA",
    "MUTES",
    "NODES",
    "NOTES",
    "ORDERS",
    "OUTLOOKS",
    "RELEASES",
    "SETTINGS",
    "SET_ASIDE",
    "SPANS",
    "STATE",
    "TAKEN",
    "WAKES",
    "WEEKS",
]

NODES = table(
    "nodes",
    Column("node_id", Integer, primary_key=True, autoincrement=True),
    Column("node", Text, nullable=False, unique=True),
    text_("site"),
    text_("profile"),
    text_("chemistry"),
    real("latitude"),
    real("longitude"),
    text_("timezone"),
    real("fitted"),
    text_("key_file"),
    text_("banded_reading"),
    *(real(name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")),
    text_("note"),
    Column("retired", Integer, nullable=False, server_default="0"),
    Column("known", Integer, nullable=False, server_default="0"),
    real("first_heard"),
)

SETTINGS = table(
    "settings",
    Column("set_id", Integer, primary_key=True, autoincrement=True),
    Column("node_id", Integer, ForeignKey("nodes.node_id"), nullable=False),
    whole("rev"),
    *(real(name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")),
    text_("digest"),
    real("first_at"),
    Index("settings_of_node", "node_id", "set_id"),
)

WAKES = table(
    "wakes",
    whole("hour"),
    whole("node_id"),
    real("t", nullable=False),
    whole("boot"),
    whole("seq"),
    real("arrived", nullable=False),
    whole("time_from"),
    real("clock_t"),
    whole("cause"),
    *(
        real(name)
        for name in (
            "up_s", "late_s", "reading", "batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "tries", "rssi_dbm",
            "temp_c", "runs", "asleep_n", "asleep_min", "asleep_max", "asleep_mean", "asleep_sd",
        )
    ),
    whole("set_id", nullable=True),
    whole("trial", nullable=True),
    whole("life_wakes", nullable=True),
    text_("extra"),
    PrimaryKeyConstraint("hour", "node_id", "t", "boot", "seq"),
    keyed=True,
)  # fmt: skip

SPANS = table(
    "spans",
    whole("node_id"),
    whole("boot"),
    real("since", nullable=False),
    whole("first_seq"),
    whole("last_seq"),
    real("last_t", nullable=False),
    PrimaryKeyConstraint("node_id", "boot", "since", "first_seq"),
    keyed=True,
)
"""Closed runs of sequence numbers stored without a hole, `since` to `last_t`: what a receipt may promise, and how a
repeat is known. Lives of a node that count `boot` alike are told apart by `since`."""

SET_ASIDE = table(
    "set_aside",
    Column("set_aside_id", Integer, primary_key=True, autoincrement=True),
    real("arrived", nullable=False),
    text_("topic", nullable=False),
    Column("raw", LargeBinary, nullable=False),
    text_("reason", nullable=False),
    text_("detail", nullable=False),
    text_("origin"),
    Column("retried", Integer, nullable=False, server_default="0"),
)

ANSWERS = table(
    "answers",
    Column("answer_id", Integer, primary_key=True, autoincrement=True),
    whole("node_id"),
    real("arrived", nullable=False),
    whole("rev"),
    text_("answer", nullable=False),
    text_("why"),
)

DIRTY = table("dirty", whole("day"), whole("node_id"), PrimaryKeyConstraint("day", "node_id"), keyed=True)

TAKEN = table("taken", whole("day"), whole("node_id"), PrimaryKeyConstraint("day", "node_id"), keyed=True)
"""Dirty node-days that a roll-up has taken and not yet finished."""

STATE = table("state", Column("name", Text, primary_key=True), text_("value", nullable=False))
"""Single values: epoch, fleet id, data digests."""

LEASES = table(
    "leases",
    Column("name", Text, primary_key=True),
    text_("holder", nullable=False),
    real("until", nullable=False),
)

LATEST = table(
    "latest",
    Column("node_id", Integer, primary_key=True, autoincrement=False),
    real("last_heard"),
    real("t"),
    whole("boot", nullable=True),
    whole("seq", nullable=True),
    whole("cause", nullable=True),
    real("reading"),
    real("batt_mv"),
    real("batt_tx_mv"),
    real("temp_c"),
    real("rssi_dbm"),
    whole("set_id", nullable=True),
    whole("trial", nullable=True),
    text_("word"),
    whole("life_wakes", nullable=True),
    whole("seen", nullable=True),
    text_("digest"),
    real("days_left_p10"),
    real("days_left_p50"),
    real("days_left_p90"),
    real("charge_left"),
    real("wakes_per_day"),
    real("need"),
    whole("run_boot", nullable=True),
    whole("run_first", nullable=True),
    whole("run_last", nullable=True),
    real("run_since"),
    real("run_until"),
    Index("latest_by_need", "need"),
)
"""One row a node, for eyes: the ingester writes the first part, the nightly job the estimates.

`run_*` is the run of sequence numbers still growing; closed runs stand in `spans`.
"""
