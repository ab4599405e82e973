"""Orders that ran, held against day rows of the store; advice told wrong; the ladder until a visit."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from fleet.errors import EstimateError, SetupError
from fleet.frames import DAY
from fleet.jobs.deployment import Deployment, load_deployment
from fleet.jobs.nightly import read_evidence
from fleet.jobs.proof import proof, proof_object, wider_by_node, wrong_told
from fleet.jobs.reserve import reserve_of
from fleet.store.audit import Audited
from fleet.store.days import write_days
from fleet.store.engine import Store, open_store
from fleet.store.orders import add_order, move_order
from fleet.store.setup import add_event, read_events, read_nodes, read_notes, sync_nodes
from fleet.words import OrderState

STARTER = Path(__file__).parents[3] / "demo_data" / "starter"
DAY_0 = 20_500
NOW_AT = datetime.fromtimestamp((DAY_0 + 20) * 86_400.0, UTC)
PROMISED = {
    "wakes_per_day": 10.0, "wakes_per_day_lo": 9.0, "wakes_per_day_hi": 11.0, "drain_mah_per_day": 1.0,
    "drain_mah_per_day_lo": 0.9, "drain_mah_per_day_hi": 1.1, "days_left_p10": 80.0, "days_left_p50": 100.0,
    "days_left_p90": 120.0,
}  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = open_store(f"sqlite:///{tmp_path / 'fleet.db'}")
    written = load_deployment(STARTER / "profiles", STARTER / "nodes.csv")
    sync_nodes(opened, written.nodes, written.events)
    return opened


def deployment(store: Store) -> Deployment:
    return load_deployment(STARTER / "profiles", STARTER / "nodes.csv").with_nodes(
        read_nodes(store), read_events(store)
    )


def id_of(store: Store, node: str) -> int:
    nodes = read_nodes(store)
    return int(nodes["node_id"][nodes["node"] == node].iloc[0])


def ran(store: Store, node: str, *, begun_d: float = 5.0) -> None:
    """An order seen applied so many days after day 0, as the moves of a release write it."""
    node_id = id_of(store, node)
    row = {"node_id": node_id, "rev": 1, "kind": "settings", "state": "posted", "state_at": 0.0}
    row |= {"predicted": json.dumps(PROMISED), "issued": (DAY_0 + begun_d - 1) * 86_400.0}
    order_id = add_order(store, row)
    at, was = (DAY_0 + begun_d) * 86_400.0, "posted"
    for state in (OrderState.ON_TRIAL, OrderState.IN_FORCE):
        body = {"node": node, "rev": 1, "from": was, "to": str(state)}
        values = {"state": str(state), "state_at": at}
        move_order(store, order_id, was=was, values=values, audited=Audited(at, "records", "move", body))
        at, was = at + 2 * 86_400.0, str(state)


def lived(store: Store, node: str, *, wakes_before: int, wakes_after: int, begun_d: float = 5.0) -> None:
    node_id = id_of(store, node)
    rows = []
    for number in range(20):
        wakes = wakes_before if number < begun_d else wakes_after
        begin = (DAY_0 + number) * 86_400.0
        rows.append(
            {"node_id": node_id, "day": DAY_0 + number, "seen": wakes - 1.0, "missing": 1.0, "boots": 0.0,
             "first_t": begin + 60.0, "last_t": begin + 86_000.0, "n_timer": wakes - 1.0}
        )  # fmt: skip
    frame = pd.DataFrame(rows).reindex(columns=list(DAY))
    whole = [name for name, dtype in DAY.items() if dtype.startswith("int")]
    frame[whole] = frame[whole].fillna(0)
    with store.write() as conn:
        write_days(conn, frame.astype(DAY))


def first_node(store: Store) -> str:
    return str(read_nodes(store)["node"].iloc[0])


def test_what_came_is_counted_over_the_whole_days_since_the_order_was_seen_applied(store: Store) -> None:
    """15 wakes a day, one of them without a record, where 10 (9 to 11) were promised: half as many again."""
    node = first_node(store)
    ran(store, node)
    lived(store, node, wakes_before=40, wakes_after=15)
    told = proof_object(proof(store, deployment(store), now_at=NOW_AT), read_nodes(store))
    (order,) = told["orders"]
    assert (order["node"], order["days"], order["wakes_per_day_real"]) == (node, 15, 15.0)
    assert order["wakes_per_day_held"] is False
    assert told["pooled"][0]["median_error_frac"] == pytest.approx(0.5)
    json.dumps(told, allow_nan=False)


def test_errors_of_the_past_widen_what_is_told_next(store: Store) -> None:
    node = first_node(store)
    ran(store, node)
    lived(store, node, wakes_before=40, wakes_after=20)
    wider = wider_by_node(store, read_nodes(store), now_at=NOW_AT)
    assert set(wider) == set(read_nodes(store)["node_id"])
    assert min(wider.values()) > 0.3
    assert read_evidence(store, NOW_AT).wider_log_sd == wider


def test_nothing_is_proven_before_three_whole_days(store: Store) -> None:
    node = first_node(store)
    ran(store, node, begun_d=17.5)
    lived(store, node, wakes_before=40, wakes_after=15, begun_d=17.5)
    told = proof_object(proof(store, deployment(store), now_at=NOW_AT), read_nodes(store))
    assert told["orders"][0]["wakes_per_day_real"] is None
    assert told["pooled"][0]["proven"] == 0


def test_an_advice_told_wrong_is_kept_and_widens(store: Store) -> None:
    node = first_node(store)
    assert wider_by_node(store, read_nodes(store), now_at=NOW_AT) == {}
    wrong_told(store, node, "the gate was shut", told_by="ann", now_at=NOW_AT)
    assert read_notes(store)[0]["text"] == "advice was wrong: the gate was shut"
    wider = wider_by_node(store, read_nodes(store), now_at=NOW_AT)
    assert wider[int(read_nodes(store)["node_id"].iloc[0])] > 0.5
    (order,) = proof_object(proof(store, deployment(store), now_at=NOW_AT), read_nodes(store))["orders"]
    assert (order["told_wrong"], order["reason"], order["rev"]) == (True, "the gate was shut", None)


def test_told_wrong_needs_a_reason_and_a_node_that_is_known(store: Store) -> None:
    with pytest.raises(SetupError, match="no reason"):
        wrong_told(store, first_node(store), " ", told_by="ann", now_at=NOW_AT)
    with pytest.raises(SetupError, match="no such node"):
        wrong_told(store, "nowhere", "x", told_by="ann", now_at=NOW_AT)


def test_a_ladder_needs_a_visit_and_records(store: Store) -> None:
    node = first_node(store)
    with pytest.raises(SetupError, match="no visit is planned"):
        reserve_of(store, deployment(store), node, until_at=None, odds=0.9, now_at=NOW_AT)
    at_s = NOW_AT.timestamp()
    add_event(store, node, "visit", at_s=at_s + 86_400.0 * 30, note=None, told_by=None, told_at_s=at_s)
    with pytest.raises(EstimateError, match="no model"):
        reserve_of(store, deployment(store), node, until_at=None, odds=0.9, now_at=NOW_AT)
