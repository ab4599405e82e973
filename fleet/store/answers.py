"""What nodes answered to orders: a refusal stops an order, nothing here proves one."""

from __future__ import annotations

from sqlalchemy import select

from fleet.store.engine import Store
from fleet.store.tables import ANSWERS

REPEAT = "old number"
"""Why a node refuses what it has taken already: the order came again, and that is no refusal."""


def read_refused(store: Store) -> dict[tuple[int, int], tuple[float, str]]:
    """The newest refusal of each order, by (node_id, rev): when it arrived, and why. [s since 1970 UTC]"""
    query = select(ANSWERS.c.node_id, ANSWERS.c.rev, ANSWERS.c.arrived, ANSWERS.c.why)
    query = query.where(ANSWERS.c.answer == "refused").order_by(ANSWERS.c.arrived)
    with store.read() as conn:
        return {
            (int(row.node_id), int(row.rev)): (float(row.arrived), str(row.why or "it gave no reason"))
            for row in conn.execute(query)
            if row.rev is not None and row.why != REPEAT
        }
