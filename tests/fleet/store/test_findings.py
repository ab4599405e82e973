"""Findings come back as they went in, and fold into the results contract's objects."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import text

from fleet.estimates.fleet import Estimates
from fleet.frames import ADVICE, CHARGE, ESTIMATE, EVENT, FLAG, NODE, OUTLOOK, empty_frame
from fleet.store.engine import Store
from fleet.store.findings import (
    read_advice,
    read_charge,
    read_estimates,
    read_flags,
    read_outlook,
    read_results,
    write_findings,
)
from fleet.store.orders import add_order, move_order, read_open_orders
from fleet.store.setup import add_event, add_mute, read_events, read_nodes, sync_nodes, undo_event
from fleet.words import Cause

AT = datetime(2026, 3, 1, tzinfo=UTC)
CONTRACT_TEXT = """node site profile chemistry as_of since last_heard wakes wakes_seen wakes_per_day wakes_by_cause
duty_main duty_main_lo duty_main_hi duty_coprocessor drain_ma drain_ma_lo drain_ma_hi drain_mah_per_day
drain_mah_per_day_lo drain_mah_per_day_hi drain_parts drain_ratio drain_ratio_lo drain_ratio_hi floor_ua floor_ua_lo
floor_ua_hi wake_cost_mc wake_cost_mc_lo wake_cost_mc_hi battery_from charge_left charge_left_lo charge_left_hi
days_left_p10 days_left_p50 days_left_p90 dead_by flags order why_null"""
CONTRACT = CONTRACT_TEXT.split()
"""The table of the results contract, version 1, in its order."""


@pytest.fixture
def store(either_store: Store) -> Store:
    opened = either_store
    nodes = pd.DataFrame([blank(NODE) | {"node_id": n, "node": f"n{n}", "site": "creek"} for n in range(3)])
    events = pd.DataFrame([{"node_id": 1, "at": 1e9, "what": "visit", "note": ""}], columns=list(EVENT))
    sync_nodes(opened, nodes, events)
    return opened


def blank(columns: dict[str, str]) -> dict[str, Any]:
    nothing = {"str": "", "bool": False, "object": None}
    return {name: nothing.get(dtype, np.nan) for name, dtype in columns.items()}


def estimates() -> Estimates:
    rows = [
        blank(ESTIMATE) | {"node_id": n + 1, "as_of": AT.timestamp(), "why_null": {"floor_ua": "too few days"}}
        for n in range(3)
    ]
    rows[0] |= {"wakes": 960.0, "wakes_timer": 900.0, "days_left_p10": 12.5, "days_left_p50": 30.25, "dead_by_7": 0.01}
    rows[0] |= {"charge_left": 0.4321987654, "battery_from": 1.76e9, "part_sleep": 0.2}
    charge = pd.DataFrame({"node_id": [1, 1], "day": [1, 2], "charge_left": [0.5, 0.4]})
    outlook = pd.DataFrame({"node_id": [1], "ahead_d": [7], "p50": [0.3]})
    return Estimates(
        pd.DataFrame(rows),
        charge.reindex(columns=list(CHARGE)),
        outlook.reindex(columns=list(OUTLOOK)),
        pd.DataFrame({"node_id": [], "at": [], "told": []}),
    )


def flags() -> pd.DataFrame:
    common = {"since": 1.7e9, "evidence": "3 a day", "part": "antenna", "under": ""}
    rows = [
        {"node_id": 1, "flag": flag, "strength": s} | common for flag, s in (("gone_quiet", 0.2), ("weak_cell", 0.9))
    ]
    return pd.DataFrame(rows).reindex(columns=list(FLAG))


def advice() -> pd.DataFrame:
    row = blank(ADVICE) | {"node_id": 1, "lo": 0.8, "wakes_per_day": 40.0, "method": "tail", "sentence": "Lower hi."}
    return pd.DataFrame([row | {"remedy": "settings"}]).assign(curve=[[[1, 2.0]]])


def test_findings_fold_into_the_contract(store: Store) -> None:
    write_findings(store, estimates(), flags(), advice(), as_of_at=AT)
    order = {"node_id": 1, "rev": 8, "kind": "settings", "state": "posted", "state_at": 1.765e9}
    order_id = add_order(store, order)
    first, second, _ = read_results(store)
    assert [name for name in first if name != "advice"] == CONTRACT
    assert first["as_of"] == "2026-03-01T00:00:00Z"
    assert first["wakes_by_cause"] == {cause.word: (900.0 if cause is Cause.TIMER else None) for cause in Cause}
    assert first["charge_left"] == pytest.approx(0.4321987654, abs=1e-6)
    assert [flag["flag"] for flag in first["flags"]] == ["weak_cell", "gone_quiet"]
    assert first["order"] == {"rev": 8, "state": "posted", "since": "2025-12-06T05:46:40Z"}
    assert first["why_null"]["floor_ua_lo"] == "too few days"
    assert first["advice"]["set"]["lo"] == 0.8
    assert (second["wakes"], second["order"], second["flags"], second["dead_by"]) == (None, None, [], None)
    assert set(second["why_null"]) >= {"wakes", "charge_left_lo", "dead_by"}
    assert move_order(store, order_id, was="posted", values={"state": "in_force", "state_at": 1.77e9})
    assert not move_order(store, order_id, was="posted", values={"state": "lost"})
    assert not len(read_open_orders(store))


def test_findings_come_back_as_frames(store: Store) -> None:
    write_findings(store, estimates(), flags(), advice(), as_of_at=AT)
    back = read_estimates(store)
    assert {name: str(kind) for name, kind in back.dtypes.items()} == ESTIMATE
    assert back["days_left_p50"].iloc[0] == 30.25 and back["why_null"].iloc[1] == {"floor_ua": "too few days"}
    assert read_charge(store)["charge_left"].tolist() == [0.5, 0.4]
    assert read_outlook(store, [1])["p50"].tolist() == [0.3] and not len(read_outlook(store, [2]))
    assert len(read_flags(store)) == 2 and read_advice(store)["curve"].iloc[0] == [[1, 2.0]]
    with store.read() as conn:
        need = {row.node_id: row.need for row in conn.execute(text("SELECT node_id, need FROM latest"))}
    assert need[1] == pytest.approx(30 / 42.5 + 0.9) and need[2] == 0.0


def test_a_newer_analysis_keeps_the_forecasts_of_the_older(store: Store) -> None:
    write_findings(store, estimates(), flags(), advice(), as_of_at=AT)
    later = datetime(2026, 3, 2, tzinfo=UTC)
    write_findings(store, estimates(), empty_frame(FLAG), empty_frame(ADVICE), as_of_at=later)
    assert not len(read_flags(store)) and not len(read_advice(store))
    old = read_estimates(store, as_of_s=AT.timestamp())
    assert old["days_left_p50"].iloc[0] == 30.25 and old["wakes"].isna().all()
    assert len(read_estimates(store, every_run=True)) == 6


def test_a_muted_flag_is_quiet_until_its_time(store: Store) -> None:
    write_findings(store, estimates(), flags(), advice(), as_of_at=AT)
    add_mute(store, "n0", "weak_cell", until_s=AT.timestamp() + 1, why="known", told_by="a", at_s=0.0)
    add_mute(store, "n0", "gone_quiet", until_s=AT.timestamp() - 1, why="known", told_by="a", at_s=0.0)
    assert read_flags(store)["flag"].tolist() == ["gone_quiet"]
    assert len(read_flags(store, muted=True)) == 2


def test_what_was_told_can_be_taken_back(store: Store) -> None:
    assert read_nodes(store)["known"].all() and {str(d) for d in read_nodes(store)[list(NODE)].dtypes} >= {"bool"}
    number = add_event(store, "n2", "retired", at_s=2e9, note=None, told_by="a", told_at_s=2e9)
    assert read_nodes(store)["retired"].tolist() == [False, False, True]
    assert read_events(store)["what"].tolist() == ["visit", "retired"]
    assert undo_event(store, number) and not undo_event(store, 99)
    assert len(read_events(store)) == 1 and not read_nodes(store)["retired"].any()
