"""The audit chain: rows that can't be changed by the program, and changes by others that show."""

from __future__ import annotations

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from fleet.store.audit import Audited, append_audit, audit_head, read_audit, verify_audit
from fleet.store.engine import Store
from fleet.store.orders import add_draft, add_order, move_order, read_orders
from fleet.store.tables import NODES


@pytest.fixture
def store(either_store: Store) -> Store:
    with either_store.write() as conn:
        conn.execute(NODES.insert(), {"node": "n1"})
    return either_store


def fill(store: Store) -> None:
    with store.write() as conn:
        for number in range(5):
            append_audit(conn, at=1e9 + number, who="a", what="draft", body={"b": number, "a": "ü"})


def test_rows_hold_together(store: Store) -> None:
    assert audit_head(store) is None and verify_audit(store) is None
    fill(store)
    assert [row.n for row in read_audit(store)] == [1, 2, 3, 4, 5]
    assert read_audit(store, since_n=5)[0].body == '{"a":"ü","b":4}'
    assert verify_audit(store, head=audit_head(store)) is None


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET who = 'b' WHERE n = 2",
        "DELETE FROM audit WHERE n = 5",
        "INSERT OR REPLACE INTO audit SELECT n, at, 'b', what, body, previous, hash FROM audit WHERE n = 2",
        "TRUNCATE audit",
    ],
)
def test_the_database_refuses_to_change_a_row(store: Store, statement: str) -> None:
    fill(store)
    with pytest.raises(DBAPIError), store.write() as conn:
        conn.execute(text(statement))
    assert len(read_audit(store)) == 5


def test_changes_behind_the_triggers_show(store: Store) -> None:
    fill(store)
    head = audit_head(store)
    with store.write() as conn:
        for name in ("audit_no_update", "audit_no_delete") if store.on_sqlite else ("audit_no_change",):
            conn.execute(text(f"DROP TRIGGER {name}" + ("" if store.on_sqlite else " ON audit")))
        conn.execute(text("DELETE FROM audit WHERE n = 5"))
    assert "tail was cut" in str(verify_audit(store, head=head))
    with store.write() as conn:
        conn.execute(text("UPDATE audit SET at = at + 1 WHERE n = 3"))
    assert str(verify_audit(store)).startswith("row 3 was changed")


def test_an_order_and_its_audit_row_stand_or_fall_together(store: Store) -> None:
    values = {"node_id": 1, "kind": "settings", "state": "drafted", "state_at": 1e9}
    number = add_order(store, values, audited=Audited(1e9, "a", "draft", {}))
    assert move_order(store, number, was="drafted", values={"state": "sealed"}, audited=Audited(2e9, "a", "seal", {}))
    assert not move_order(store, number, was="drafted", values={"state": "x"}, audited=Audited(2e9, "a", "seal", {}))
    assert [row.what for row in read_audit(store)] == ["draft", "seal"]
    with pytest.raises(TypeError):
        add_order(store, values, audited=Audited(1e9, "a", "draft", object()))
    assert len(read_orders(store)) == 1
    add_draft(store, "n1", {"lo": 0.8, "hi": None}, predicted={"x": float("nan")}, drafted_by="a", at_s=1e9)
    assert read_orders(store, states=["drafted"])["lo"].tolist() == [0.8]
    assert read_audit(store)[-1].what == "draft" and verify_audit(store) is None
