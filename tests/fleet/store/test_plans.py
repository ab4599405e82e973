"""Plans of the queries that a screen or a night waits for: keys are used, nothing is sorted on the way."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Select, func, select

from fleet.store.engine import Store, open_store
from fleet.store.parts import Part, part_query
from fleet.store.reading import records_query
from fleet.store.tables import CHARGES, DAYS, ESTIMATES, FLEET_DAYS, LATEST, NODES, WAKES, WEEKS

BY_KEY = "USING PRIMARY KEY"
HOUR_NODE = f"{BY_KEY} (hour=? AND node_id"
QUERIES: dict[str, tuple[Select[Any], str]] = {
    "fifty worst": (select(LATEST).order_by(LATEST.c.need.desc()).limit(50), "USING INDEX latest_by_need"),
    "all nodes": (select(LATEST), "SCAN latest"),
    "one node's year": (
        select(DAYS).where(DAYS.c.node_id == 7, DAYS.c.day >= 20_000).order_by(DAYS.c.node_id, DAYS.c.day),
        f"SEARCH days {BY_KEY} (node_id=? AND day>?)",
    ),
    "one node's weeks": (select(WEEKS).where(WEEKS.c.node_id == 7).order_by(WEEKS.c.week), f"SEARCH weeks {BY_KEY}"),
    "a site's days": (select(FLEET_DAYS).where(FLEET_DAYS.c.site == "a").order_by(FLEET_DAYS.c.day), BY_KEY),
    "every day row": (select(DAYS).order_by(DAYS.c.node_id, DAYS.c.day), "SCAN days"),
    "charge of a node": (select(CHARGES).where(CHARGES.c.node_id == 7).order_by(CHARGES.c.day), BY_KEY),
    "a day of all nodes": (records_query(1.7e9, 1.7e9 + 86_400, None), f"SEARCH wakes {BY_KEY} (hour>? AND hour<?)"),
    "a week of two nodes": (
        records_query(1.7e9, 1.7e9 + 6e5, [3, 4]),
        f"{HOUR_NODE}=? AND t>? AND t<?)",
    ),
    "a day mostly dirty": (
        part_query(Part(20_000, 20_000, 0, 4095, 4000), 4096),
        f"{HOUR_NODE}>? AND node_id<?)",
    ),
    "late node-days": (
        part_query(Part(20_000, 20_000, 0, 4095, 9), 4096),
        f"SEARCH wakes {BY_KEY} (hour=? AND node_id=?)",
    ),
    "oldest record": (select(func.min(WAKES.c.hour)), "SEARCH wakes"),
    "one analysis": (
        select(ESTIMATES.c.result)
        .select_from(NODES)
        .join(ESTIMATES, (ESTIMATES.c.node_id == NODES.c.node_id) & (ESTIMATES.c.as_of == 1.0))
        .order_by(NODES.c.node_id),
        f"SEARCH estimates {BY_KEY} (node_id=? AND as_of=?)",
    ),
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    folder: Path = tmp_path_factory.mktemp("plans")
    with open_store(f"sqlite:///{folder / 'ledger.sqlite'}") as opened:
        yield opened


@pytest.mark.parametrize("name", QUERIES)
def test_keys_are_used_and_nothing_is_sorted(store: Store, name: str) -> None:
    query, expected = QUERIES[name]
    sql = str(query.compile(store.engine, compile_kwargs={"literal_binds": True}))
    with store.read() as conn:
        plan = " | ".join(str(row[3]) for row in conn.exec_driver_sql(f"EXPLAIN QUERY PLAN {sql}"))
    assert expected in plan
    assert "TEMP B-TREE" not in plan
