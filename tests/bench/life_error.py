"""Replays simulated cells: at parts of each life the forecast that would have been made, against the death that came.

Run: WAKELEDGER_BATTERY_DATA=<folder with given.csv, truth.csv, reported.parquet, per_wake_truth.parquet> \
     python tests/bench/life_error.py [--published]
By default the parameter set of each simulated cell is left out of the candidate curves (`--published` keeps it).
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from fleet.daily.rollup import roll_up
from fleet.estimates.fleet import estimate_fleet
from fleet.frames import EVENT, NODE, SETTING, empty_frame
from fleet.profiles.chemistry import load_chemistry
from fleet.profiles.profile import Battery, Figure, Measure, Profile, Sleep, Wake

FOLDER = "WAKELEDGER_BATTERY_DATA"
SHARES = (0.25, 0.5, 0.75)
TWINS = {"OKane2022": ("OKane2022", "Chen2020")}  # two papers on one commercial cell
S_PER_D = 86_400.0


def profile_of(given: pd.Series) -> Profile:
    """What the deployer wrote down."""
    return Profile(
        profile=str(given.name),
        sleep=Sleep(current_ua=Figure(float(given.sleep_ua))),
        wake=Wake(current_ma=Figure(float(given.awake_ma)), length_ms=Figure(float(given.awake_s) * 1000.0)),
        battery=Battery(
            chemistry=str(given.chemistry),
            capacity_mah=Figure(float(given.label_mah)),
            cutoff_mv=float(given.cutoff_mv),
            series=int(given.cells),
        ),
        measure=Measure(gain_sd=0.01, step_mv=2.0),
    )


def records_of(wakes: pd.DataFrame, given: pd.Series) -> dict[str, np.ndarray]:
    """RECORD columns of the wakes whose report arrived; the counters tell of the others."""
    seq = np.arange(len(wakes))
    came = wakes["received"].to_numpy(bool)
    t = given.start_ts + wakes["day"].to_numpy() * S_PER_D
    reading = "batt_mv" if given.voltage_read == "rest" else "batt_tx_mv"
    columns = {
        "node_id": np.ones(len(wakes), dtype=int),
        "t": t,
        "arrived": t,
        "boot": np.ones(len(wakes), dtype=int),
        "seq": seq,
        "cause": np.zeros(len(wakes), dtype=int),
        reading: wakes["reported_mv"].to_numpy(float),
        "temp_c": wakes["reported_temp_c"].to_numpy(float),
    }
    return {name: values[came] for name, values in columns.items()}


def forecast(wakes: pd.DataFrame, given: pd.Series, *, as_of_d: float, without: tuple[str, ...]) -> pd.Series:
    """The estimates of one node at one moment."""
    nodes = pd.DataFrame({name: [np.nan] for name in NODE})
    nodes = nodes.assign(node_id=1, node=str(given.name), profile=str(given.name), chemistry=str(given.chemistry))
    nodes = nodes.assign(site="", fitted=float(given.start_ts))
    days = pd.DataFrame(roll_up(records_of(wakes[wakes["day"] <= as_of_d], given)))
    made = estimate_fleet(
        days,
        nodes,
        {str(given.name): profile_of(given)},
        empty_frame(EVENT),
        as_of_at=datetime.fromtimestamp(given.start_ts + as_of_d * S_PER_D, UTC),
        since_at=None,
        settings=empty_frame(SETTING),
        chemistries={str(given.chemistry): load_chemistry(str(given.chemistry))},
        without={str(given.name): without},
    )
    return made.nodes.iloc[0]


def replay(folder: Path, *, published: bool, shares: tuple[float, ...] = SHARES) -> pd.DataFrame:
    """One row a cell and share of its life: forecast and truth."""
    given = pd.read_csv(folder / "given.csv").set_index("node")
    truth = pd.read_csv(folder / "truth.csv").set_index("node")
    per_wake = pd.read_parquet(folder / "per_wake_truth.parquet")
    rows = []
    for node, wakes in per_wake.groupby("node", observed=True):
        pset = str(truth.pset[node])
        without = () if published else TWINS.get(pset, (pset,))
        for cell, own in wakes.groupby("cell"):
            for share in shares:
                as_of_d = own["day"].min() + share * (own["day"].max() - own["day"].min())
                if cell > 1 or share not in (0.0, 1.0):
                    left_d = float(own["days_left"][own["day"] <= as_of_d].iloc[-1])
                    usable = float(own["usable_left"][own["day"] <= as_of_d].iloc[-1])
                    drawn = float(own["q_total_mah"].max() / own["usable_left"].max())
                    made = forecast(wakes, given.loc[node], as_of_d=as_of_d, without=without)
                    left = usable * drawn / float(truth.usable_full_mah[node])
                    rows.append(_row(str(node), int(cell), share, made, left_d=left_d, left=left))
    return pd.DataFrame(rows)


def _row(node: str, cell: int, share: float, made: pd.Series, *, left_d: float, left: float) -> dict[str, object]:
    return {
        "node": node,
        "cell": cell,
        "share": share,
        "true_d": left_d,
        "p10": made.days_left_p10,
        "p50": made.days_left_p50,
        "p90": made.days_left_p90,
        "error": made.days_left_p50 / left_d - 1.0,
        "left": left,
        "left_lo": made.charge_left_lo,
        "left_mid": made.charge_left,
        "left_hi": made.charge_left_hi,
        "ratio": made.drain_ratio,
        "recharged": made.recharged,
    }


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Error and coverage at each share of life."""
    parts = []
    for share, at in rows.groupby("share"):
        error = at["error"].abs()
        parts.append(
            {
                "share": share,
                "n": len(at),
                "median": error.median(),
                "p90": error.quantile(0.9),
                "optimistic": (at["error"] > 0).mean(),
                "in_80": at["true_d"].between(at["p10"], at["p90"]).mean(),
                "left_mae": (at["left_mid"] - at["left"]).abs().mean(),
                "left_in_90": at["left"].between(at["left_lo"], at["left_hi"]).mean(),
            }
        )
    return pd.DataFrame(parts)


def main() -> None:
    """Print the tables, or say loudly that there is no data."""
    folder = os.environ.get(FOLDER)
    if not folder:
        print(f"SKIPPED: set {FOLDER} to the folder of the simulated cells; nothing was measured.")
        return
    rows = replay(Path(folder), published="--published" in sys.argv)
    print(rows.round(3).to_string(index=False))
    print(summary(rows).round(3).to_string(index=False))


if __name__ == "__main__":
    main()
