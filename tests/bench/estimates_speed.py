"""Time and memory of all estimates of 1,000 nodes over 180 days of day rows, voltages at rest and under load.

Run: python tests/bench/estimates_speed.py [n_nodes]. Named floor: 20 s of one core and 1 GB for 1,000 nodes.
"""

from __future__ import annotations

import resource
import sys
import time
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from fleet.estimates.fleet import estimate_fleet
from fleet.frames import DAY, EVENT, NODE, SETTING, empty_frame
from fleet.profiles.chemistry import chemistry_names, load_chemistry
from fleet.profiles.profile import Battery, Figure, Profile, Sleep, Wake

N_DAYS, DAY0, S_PER_D = 180, 20_000, 86_400.0
WAKES_PER_D = 24.0


def profile_of(kind: str) -> Profile:
    """A node that lives about 400 days on one cell of its kind."""
    chemistry = load_chemistry(kind)
    return Profile(
        profile=kind,
        sleep=Sleep(current_ua=Figure(30.0)),
        wake=Wake(current_ma=Figure(30.0), length_ms=Figure(15_000.0)),
        battery=Battery(chemistry=kind, capacity_mah=Figure(1500.0), cutoff_mv=chemistry.cutoff_mv),
    )


def day_rows(n_nodes: int) -> pd.DataFrame:
    """Day rows of a seeded fleet, chemistries in turn."""
    rng = np.random.default_rng(1)
    kinds = chemistry_names()
    day = np.tile(np.arange(N_DAYS), n_nodes)
    node = np.repeat(np.arange(n_nodes), N_DAYS)
    dod = (day + 0.5) / np.repeat(rng.uniform(250.0, 600.0, n_nodes), N_DAYS)
    mv = np.empty(len(day))
    for number, kind in enumerate(kinds):
        mine = node % len(kinds) == number
        mv[mine] = load_chemistry(kind).voltage_mv(dod[mine])
    mv += rng.normal(0.0, 4.0, len(mv))
    temp_c = 10.0 + 8.0 * np.sin(2 * np.pi * day / 365.0) + rng.normal(0.0, 3.0, len(day))
    known = {
        "node_id": node,
        "day": DAY0 + day,
        "seen": WAKES_PER_D,
        "missing": 0.0,
        "boots": 1.0,
        "first_t": (DAY0 + day) * S_PER_D + 60.0,
        "last_t": (DAY0 + day) * S_PER_D + 82_860.0,
        "first_boot": 1,
        "last_boot": 1,
        "first_seq": day * WAKES_PER_D,
        "last_seq": (day + 1) * WAKES_PER_D - 1,
        "n_timer": WAKES_PER_D,
        "batt_count": WAKES_PER_D,
        "batt_mv": mv,
        "batt_min_mv": mv - 8,
        "batt_max_mv": mv + 8,
        "batt_last_mv": mv,
        "tx_count": WAKES_PER_D,
        "batt_tx_mv": mv - 20.0,
        "temp_c": temp_c,
        "temp_at_batt_c": temp_c,
        "temp_factor_q10": 2.0 ** ((temp_c - 20.0) / 10.0),
        "set_id": -1,
    }
    return pd.DataFrame({name: known.get(name, 0.0) for name in DAY}, index=range(len(day))).astype(DAY)


def main() -> None:
    """Print seconds of this process and megabytes above what the input takes."""
    n_nodes = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    kinds = chemistry_names()
    days = day_rows(n_nodes)
    nodes = pd.DataFrame({name: [np.nan] * n_nodes for name in NODE})
    nodes = nodes.assign(node_id=np.arange(n_nodes), node=[f"n{i}" for i in range(n_nodes)], site="", chemistry="")
    nodes = nodes.assign(profile=[kinds[i % len(kinds)] for i in range(n_nodes)], fitted=DAY0 * S_PER_D)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start_s = time.process_time()
    made = estimate_fleet(
        days,
        nodes,
        {kind: profile_of(kind) for kind in kinds},
        empty_frame(EVENT),
        as_of_at=datetime.fromtimestamp((DAY0 + N_DAYS) * S_PER_D, UTC),
        since_at=None,
        settings=empty_frame(SETTING),
        chemistries={kind: load_chemistry(kind) for kind in kinds},
    )
    used_s = time.process_time() - start_s
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    known = int(made.nodes["days_left_p50"].notna().sum())
    print(f"{n_nodes} nodes, {used_s:.1f} s CPU, {(after - before) / 1024:.0f} MB more, {known} known")


if __name__ == "__main__":
    main()
