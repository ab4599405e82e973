"""The first tables. Written out, so that it means the same for ever.

Words are SQLite's; on PostgreSQL `INT` is INTEGER, `INTEGER` BIGINT, `REAL` DOUBLE PRECISION, `BLOB` BYTEA, and `wakes`
is cut by time: one partition a month, made when its first record comes.
"""

from __future__ import annotations

import re

from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = """
CREATE TABLE nodes (
    node_id INTEGER PRIMARY KEY NOT NULL, node TEXT NOT NULL UNIQUE, site TEXT, profile TEXT, chemistry TEXT,
    latitude REAL, longitude REAL, timezone TEXT, fitted REAL, key_file TEXT, banded_reading TEXT, lo REAL, hi REAL,
    hyst REAL, sleep_s REAL, period_ms REAL, avg REAL, note TEXT, retired INT NOT NULL DEFAULT 0, known INT NOT NULL
    DEFAULT 0, first_heard REAL
) STRICT;
CREATE TABLE settings (
    set_id INTEGER PRIMARY KEY NOT NULL, node_id INT NOT NULL REFERENCES nodes (node_id), rev INTEGER NOT NULL, lo REAL,
    hi REAL, hyst REAL, sleep_s REAL, period_ms REAL, avg REAL, digest TEXT, first_at REAL
) STRICT;
CREATE INDEX settings_of_node ON settings (node_id, set_id);
CREATE TABLE wakes (
    hour INTEGER NOT NULL, node_id INTEGER NOT NULL, t REAL NOT NULL, boot INTEGER NOT NULL, seq INTEGER NOT NULL,
    arrived REAL NOT NULL, time_from INTEGER NOT NULL, clock_t REAL, cause INTEGER NOT NULL, up_s REAL, late_s REAL,
    reading REAL, batt_mv REAL, batt_tx_mv REAL, awake_ms REAL, radio_ms REAL, tries REAL, rssi_dbm REAL, temp_c REAL,
    runs REAL, asleep_n REAL, asleep_min REAL, asleep_max REAL, asleep_mean REAL, asleep_sd REAL, set_id INTEGER,
    trial INTEGER, life_wakes INTEGER, extra TEXT, PRIMARY KEY (hour, node_id, t, boot, seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE spans (
    node_id INTEGER NOT NULL, boot INTEGER NOT NULL, since REAL NOT NULL, first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL, last_t REAL NOT NULL, PRIMARY KEY (node_id, boot, since, first_seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE set_aside (
    set_aside_id INTEGER PRIMARY KEY NOT NULL, arrived REAL NOT NULL, topic TEXT NOT NULL, raw BLOB NOT NULL,
    reason TEXT NOT NULL, detail TEXT NOT NULL, origin TEXT, retried INT NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE answers (
    answer_id INTEGER PRIMARY KEY NOT NULL, node_id INTEGER NOT NULL, arrived REAL NOT NULL, rev INTEGER NOT NULL,
    answer TEXT NOT NULL, why TEXT
) STRICT;
CREATE TABLE dirty (
    day INTEGER NOT NULL, node_id INTEGER NOT NULL, PRIMARY KEY (day, node_id)
) STRICT, WITHOUT ROWID;
CREATE TABLE taken (
    day INTEGER NOT NULL, node_id INTEGER NOT NULL, PRIMARY KEY (day, node_id)
) STRICT, WITHOUT ROWID;
CREATE TABLE state (
    name TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (name)
) STRICT;
CREATE TABLE leases (
    name TEXT NOT NULL, holder TEXT NOT NULL, until REAL NOT NULL, PRIMARY KEY (name)
) STRICT;
CREATE TABLE latest (
    node_id INT NOT NULL, last_heard REAL, t REAL, boot INTEGER, seq INTEGER, cause INTEGER, reading REAL, batt_mv REAL,
    batt_tx_mv REAL, temp_c REAL, rssi_dbm REAL, set_id INTEGER, trial INTEGER, word TEXT, life_wakes INTEGER,
    seen INTEGER, digest TEXT, days_left_p10 REAL, days_left_p50 REAL, days_left_p90 REAL, charge_left REAL,
    wakes_per_day REAL, need REAL, run_boot INTEGER, run_first INTEGER, run_last INTEGER, run_since REAL,
    run_until REAL, PRIMARY KEY (node_id)
) STRICT;
CREATE INDEX latest_by_need ON latest (need);
CREATE TABLE days (
    node_id INTEGER NOT NULL, day INTEGER NOT NULL, seen REAL, missing REAL, boots REAL, first_t REAL, last_t REAL,
    first_boot INTEGER NOT NULL, first_seq INTEGER NOT NULL, last_boot INTEGER NOT NULL, last_seq INTEGER NOT NULL,
    last_life_wakes REAL, n_timer REAL, n_band_low REAL, n_band_high REAL, n_count REAL, n_pin REAL, n_touch REAL,
    n_power_on REAL, n_brownout REAL, n_watchdog REAL, n_crash REAL, n_other REAL, awake_count_timer REAL,
    awake_ms_timer REAL, awake_sq_ms2_timer REAL, radio_count_timer REAL, radio_ms_timer REAL, awake_count_band REAL,
    awake_ms_band REAL, awake_sq_ms2_band REAL, radio_count_band REAL, radio_ms_band REAL, awake_count_reset REAL,
    awake_ms_reset REAL, awake_sq_ms2_reset REAL, radio_count_reset REAL, radio_ms_reset REAL, awake_count_other REAL,
    awake_ms_other REAL, awake_sq_ms2_other REAL, radio_count_other REAL, radio_ms_other REAL, awake_count_unknown REAL,
    awake_ms_unknown REAL, awake_sq_ms2_unknown REAL, radio_count_unknown REAL, radio_ms_unknown REAL, tries REAL,
    tries_count REAL, failed_tries REAL, rssi_dbm REAL, rssi_min_dbm REAL, batt_count REAL, batt_mv REAL,
    batt_min_mv REAL, batt_max_mv REAL, batt_last_mv REAL, tx_count REAL, batt_tx_mv REAL, batt_tx_min_mv REAL,
    temp_count REAL, temp_c REAL, temp_min_c REAL, temp_max_c REAL, temp_factor_q10 REAL, temp_at_batt_c REAL,
    runs REAL, reading_count REAL, reading_mean REAL, reading_sd REAL, reading_min REAL, reading_max REAL,
    asleep_count REAL, asleep_mean REAL, asleep_sd REAL, asleep_min REAL, asleep_max REAL, edge_near REAL,
    band_close REAL, gap_max_s REAL, clock_count REAL, clock_unset REAL, clock_fault REAL, skew_s REAL, skew_min_s REAL,
    skew_max_s REAL, late_s REAL, late_max_s REAL, set_id INTEGER NOT NULL, set_changes REAL, PRIMARY KEY (node_id, day)
) STRICT, WITHOUT ROWID;
CREATE TABLE fleet_days (
    site TEXT NOT NULL, day INTEGER NOT NULL, nodes REAL, seen REAL, missing REAL, wakes REAL, band REAL, batt_mv REAL,
    temp_c REAL, PRIMARY KEY (site, day)
) STRICT, WITHOUT ROWID;
CREATE TABLE weeks (
    node_id INTEGER NOT NULL, week INTEGER NOT NULL, seen REAL, missing REAL, band REAL, timer REAL, reset REAL,
    batt_mv REAL, batt_tx_min_mv REAL, temp_c REAL, temp_min_c REAL, PRIMARY KEY (node_id, week)
) STRICT, WITHOUT ROWID;
CREATE TABLE events (
    event_id INTEGER PRIMARY KEY NOT NULL, node_id INTEGER, site TEXT, at REAL NOT NULL, what TEXT NOT NULL, note TEXT,
    told_at REAL NOT NULL, told_by TEXT, undone INT NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE estimates (
    node_id INTEGER NOT NULL, as_of REAL NOT NULL, result TEXT NOT NULL, PRIMARY KEY (node_id, as_of)
) STRICT, WITHOUT ROWID;
CREATE TABLE charges (
    node_id INTEGER NOT NULL, day INTEGER NOT NULL, charge_left REAL, charge_left_lo REAL, charge_left_hi REAL, PRIMARY
    KEY (node_id, day)
) STRICT, WITHOUT ROWID;
CREATE TABLE outlooks (
    node_id INTEGER NOT NULL, ahead_d INTEGER NOT NULL, p10 REAL, p25 REAL, p50 REAL, p75 REAL, p90 REAL, PRIMARY KEY
    (node_id, ahead_d)
) STRICT, WITHOUT ROWID;
CREATE TABLE flags (
    node_id INTEGER NOT NULL, flag TEXT NOT NULL, as_of REAL NOT NULL, since REAL, since_lo REAL, since_hi REAL,
    strength REAL, evidence TEXT NOT NULL, part TEXT NOT NULL, under TEXT NOT NULL, PRIMARY KEY (as_of, node_id, flag)
) STRICT, WITHOUT ROWID;
CREATE TABLE mutes (
    mute_id INTEGER PRIMARY KEY NOT NULL, node_id INTEGER NOT NULL, flag TEXT NOT NULL, until REAL, why TEXT NOT NULL,
    told_by TEXT, told_at REAL NOT NULL
) STRICT;
CREATE TABLE advices (
    node_id INTEGER NOT NULL, as_of REAL NOT NULL, result TEXT NOT NULL, PRIMARY KEY (node_id, as_of)
) STRICT, WITHOUT ROWID;
CREATE TABLE orders (
    order_id INTEGER PRIMARY KEY NOT NULL, node_id INTEGER NOT NULL, release_id INTEGER, stage INTEGER, rev INTEGER,
    kind TEXT NOT NULL, state TEXT NOT NULL, state_at REAL NOT NULL, lo REAL, hi REAL, hyst REAL, sleep_s REAL,
    period_ms REAL, avg REAL, trial_wakes INTEGER, issued REAL, until REAL, until_wake INTEGER, word TEXT, topic TEXT,
    sealed BLOB, digest TEXT, before TEXT, predicted TEXT, override_reason TEXT, override_by TEXT, drafted_by TEXT,
    detail TEXT, UNIQUE (node_id, rev, kind)
) STRICT;
CREATE INDEX orders_by_state ON orders (state, node_id);
CREATE TABLE releases (
    release_id INTEGER PRIMARY KEY NOT NULL, state TEXT NOT NULL, stage INTEGER NOT NULL, stage_at REAL, why TEXT,
    made_by TEXT, made_at REAL NOT NULL
) STRICT;
CREATE TABLE audit (
    n INT NOT NULL, at REAL NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL, body TEXT NOT NULL, previous TEXT NOT NULL,
    hash TEXT NOT NULL, PRIMARY KEY (n)
) STRICT;
CREATE TABLE link_events (
    link_event_id INTEGER PRIMARY KEY NOT NULL, at REAL NOT NULL, what TEXT NOT NULL, detail TEXT
) STRICT;
CREATE TABLE archives (
    file TEXT NOT NULL, first_hour INTEGER NOT NULL, last_hour INTEGER NOT NULL, rows INTEGER NOT NULL,
    sha256 TEXT NOT NULL, made_at REAL NOT NULL, PRIMARY KEY (file)
) STRICT;
CREATE TABLE notes (
    note_id INTEGER PRIMARY KEY NOT NULL, node_id INTEGER NOT NULL, at REAL NOT NULL, text TEXT NOT NULL, told_by TEXT
) STRICT
"""

KEPT_SQLITE = """
CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'audit rows are never changed'); END;
CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'audit rows are never removed'); END;
CREATE TRIGGER audit_no_replace BEFORE INSERT ON audit WHEN EXISTS (SELECT 1 FROM audit WHERE n = NEW.n)
    BEGIN SELECT RAISE(ABORT, 'audit rows are never replaced'); END
"""
KEPT_POSTGRESQL = """
CREATE FUNCTION audit_kept() RETURNS trigger LANGUAGE plpgsql AS
    'BEGIN RAISE EXCEPTION ''audit rows are never changed or removed''; END';
CREATE TRIGGER audit_no_change BEFORE UPDATE OR DELETE ON audit FOR EACH ROW EXECUTE FUNCTION audit_kept();
CREATE TRIGGER audit_no_truncate BEFORE TRUNCATE ON audit FOR EACH STATEMENT EXECUTE FUNCTION audit_kept()
"""

WORDS = (
    (r"\bINTEGER PRIMARY KEY NOT NULL", "#INT GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY"),
    (r"\bINTEGER\b", "BIGINT"),
    (r"#?\bINT\b", "INTEGER"),
    (r"\bREAL\b", "DOUBLE PRECISION"),
    (r"\bBLOB\b", "BYTEA"),
    (r"\) STRICT(, WITHOUT ROWID)?", ")"),
)


def _postgresql(statement: str) -> str:
    for ours, theirs in WORDS:
        statement = re.sub(ours, theirs, statement)
    return statement + (" PARTITION BY RANGE (hour)" if statement.startswith("CREATE TABLE wakes ") else "")


def upgrade() -> None:
    """Every table, and the triggers that keep the audit rows."""
    conn = op.get_bind()
    on_sqlite = conn.dialect.name == "sqlite"
    for statement in TABLES.strip().split(";\n"):
        conn.exec_driver_sql(statement if on_sqlite else _postgresql(statement))
    if not on_sqlite:
        conn.exec_driver_sql("CREATE TABLE wakes_else PARTITION OF wakes DEFAULT")
    for statement in re.split(r";\n(?=CREATE)", (KEPT_SQLITE if on_sqlite else KEPT_POSTGRESQL).strip()):
        conn.exec_driver_sql(statement)


def downgrade() -> None:
    """Not offered: a person keeps a copy before an upgrade."""
    raise NotImplementedError("there is nothing before the first version")
