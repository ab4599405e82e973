"""One batch sorted out: which records are new, what they change in runs, settings and the newest of each node."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from fleet.store.arrived import ArrivedRecord
from fleet.store.known import Known, NodeState
from fleet.store.repeats import Repeats
from fleet.store.rows import Row, row_of
from fleet.store.runs import RUN_MAX_COUNT, RUN_MAX_S


def sort_out(
    conn: Connection, records: Sequence[ArrivedRecord], known: Known
) -> tuple[list[Row], dict[int, NodeState]]:
    """Rows to insert, in the order given, and the states of the nodes that sent something."""
    rows: list[Row] = []
    repeats = Repeats(conn, rows)
    touched: dict[int, NodeState] = {}
    ids, states = known.ids, known.states
    for arrived in records:
        record, t = arrived.record, arrived.t
        boot, seq, given = record.boot, record.seq, record.set
        node_id = ids[arrived.node]
        state = touched[node_id] = states[node_id]
        if given is None:
            set_id = None
        elif given == state.given:
            set_id = state.set_id
        else:
            set_id = state.set_id = known.set_id(conn, node_id, given, t)
            state.given = given
        row = row_of(arrived, node_id, set_id)
        runs = state.runs
        run = runs.open
        # Almost every record goes on where its node's run ends, and is told by four comparisons.
        if (
            run is not None
            and seq == run.last + 1
            and boot == run.boot
            and seq > runs.top
            and run.until <= t <= run.since + RUN_MAX_S
            and seq - run.first < RUN_MAX_COUNT
        ):
            run.last = runs.top = seq
            run.until = t
        else:
            holding = runs.holding(boot, seq)
            if holding and repeats.is_known(row, holding, goes_on=runs.goes_on(boot, seq)):
                continue
            runs.add(boot, seq, t, another_life=bool(holding))
        rows.append(row)
        state.heard(arrived, set_id)
    return rows, touched
