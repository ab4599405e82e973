"""Node-days taken for a roll-up, in parts that fit into memory, and the records of each part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Select, func, literal, select

from fleet.frames import RECORD
from fleet.store.archived import archived_blocks
from fleet.store.arrow import Arrays, read_blocks
from fleet.store.engine import Store
from fleet.store.reading import record_columns
from fleet.store.tables import ARCHIVES, TAKEN, WAKES
from fleet.units import S_PER_D

HOURS_A_DAY = 24
PART_NODES = 4096
MONTH_PART_NODES = 256
READ_THROUGH_FRAC = 0.3
WHOLE_MONTH_COUNT = 2_000
"""So many node-days taken of an archived month, and its file is read once, not once a day."""


@dataclass(frozen=True)
class Part:
    """Node-days of some days and a range of nodes, ends included; `count` of them were taken."""

    first_day: int
    last_day: int
    first_node: int
    last_node: int
    count: int

    def is_mostly_taken(self, node_count: int) -> bool:
        """Whether reading all of its node-days is cheaper than looking up those that were taken."""
        nodes = min(node_count, self.last_node - self.first_node + 1)
        return self.count > READ_THROUGH_FRAC * nodes * (self.last_day - self.first_day + 1)


def taken_parts(store: Store) -> list[Part]:
    """The node-days taken: a day at a time, or an archived month at a time if much of it is due."""
    with store.read() as conn:
        months = _archived_months(conn)
        by_day = _counts(conn, PART_NODES)
        whole = [
            month for month in months if sum(n for day, _, n in by_day if _inside(day, month)) >= WHOLE_MONTH_COUNT
        ]
        found = [(chunk, n, month) for month in whole for _, chunk, n in _counts(conn, MONTH_PART_NODES, month)]
    parts = [
        Part(day, day, chunk * PART_NODES, (chunk + 1) * PART_NODES - 1, n)
        for day, chunk, n in by_day
        if not any(_inside(day, month) for month in whole)
    ]
    counts: dict[tuple[int, int, int], int] = {}
    for chunk, n, (first, last) in found:
        counts[first, last, chunk] = counts.get((first, last, chunk), 0) + n
    parts += [
        Part(first, last, chunk * MONTH_PART_NODES, (chunk + 1) * MONTH_PART_NODES - 1, n)
        for (first, last, chunk), n in sorted(counts.items())
    ]
    return parts


def _inside(day: int, month: tuple[int, int]) -> bool:
    return month[0] <= day <= month[1]


def _archived_months(conn: Connection) -> list[tuple[int, int]]:
    """First and last day of every month that has a file."""
    rows = conn.execute(select(ARCHIVES.c.first_hour, ARCHIVES.c.last_hour).distinct())
    return [(int(first) // HOURS_A_DAY, int(last) // HOURS_A_DAY) for first, last in rows]


def _counts(conn: Connection, nodes: int, days: tuple[int, int] | None = None) -> list[tuple[int, int, int]]:
    """Day, chunk of so many nodes, and how many of these node-days are taken."""
    chunk = (TAKEN.c.node_id // literal(nodes)).label("chunk")
    query = select(TAKEN.c.day, chunk, func.count()).group_by(TAKEN.c.day, chunk).order_by(TAKEN.c.day, chunk)
    if days is not None:
        query = query.where(TAKEN.c.day.between(*days))
    return [(int(day), int(at), int(count)) for day, at, count in conn.execute(query)]


def part_query(part: Part, node_count: int) -> Select[Any]:
    """What reads a part's node-days; where most are taken it is read through, others' node-days with it."""
    hours = list(range(part.first_day * HOURS_A_DAY, (part.last_day + 1) * HOURS_A_DAY))
    query = select(*record_columns()).where(WAKES.c.hour.in_(hours))
    if part.is_mostly_taken(node_count) or part.first_day != part.last_day:
        return query.where(WAKES.c.node_id.between(part.first_node, part.last_node))
    inside = TAKEN.c.node_id.between(part.first_node, part.last_node)
    return query.where(WAKES.c.node_id.in_(select(TAKEN.c.node_id).where(TAKEN.c.day == part.first_day, inside)))


def part_records(store: Store, part: Part, node_count: int) -> Arrays:
    """RECORD columns of a part's node-days, whole ones, archived records too."""
    nodes = range(part.first_node, part.last_node + 1)
    blocks = [*archived_blocks(store, part.first_day * S_PER_D, (part.last_day + 1) * S_PER_D, nodes)]
    blocks += read_blocks(store, part_query(part, node_count), RECORD)
    return {
        name: np.concatenate([block[name] for block in blocks]) if blocks else np.empty(0, dtype)
        for name, dtype in RECORD.items()
    }
