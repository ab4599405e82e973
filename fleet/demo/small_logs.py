"""Writes the small recordings of `demo_data`: ``python -m fleet.demo.small_logs demo_data/harrow_flats``."""

from __future__ import annotations

import sys
from pathlib import Path

from fleet.demo.flats import opened
from fleet.demo.prepare import write_nodes, write_visits
from fleet.demo.scenario import SEED, SINCE_AT, UNTIL_AT, node_name, node_specs
from fleet.demo.wire_out import messages_of
from fleet.units import S_PER_D
from fleet.wire_recording import Message, write_recording

KEPT_D = 21
NUMBERS = (4, 9, 16, 21, 25, 41)  # a chattering, a leaking, three healthy or stuck, a cold one


def write_small_logs(folder: Path) -> int:
    """Node list, visits and the last three weeks of six nodes; gives the number of messages."""
    specs = node_specs()
    days = int((UNTIL_AT - SINCE_AT).days)
    flats = opened(specs, since_s=SINCE_AT.timestamp(), days=days, seed=SEED)
    write_nodes(folder / "nodes.csv", flats)
    write_visits(folder / "visits.csv", flats)
    chosen = [node_name(number) for number in NUMBERS]
    lives = flats.advance(UNTIL_AT.timestamp(), nodes=chosen)
    from_s = UNTIL_AT.timestamp() - KEPT_D * S_PER_D
    kept = (Message(*message) for message in messages_of(lives, "harrow") if message[0] >= from_s)
    return write_recording(folder / "three_weeks.jsonl.gz", kept)


if __name__ == "__main__":
    write_small_logs(Path(sys.argv[1]))
