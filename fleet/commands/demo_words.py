"""The five lines at the end of the demo: what was found, where the report is, what the retune changed, what to try."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fleet.jobs.nightly import read_deployment
from fleet.store.days import read_days
from fleet.store.orders import read_orders
from fleet.units import S_PER_D

if TYPE_CHECKING:
    from fleet.commands.demo_retune import Retuned
    from fleet.commands.demo_run import Findings, Stage

WEEK_D = 7


def told(stage: Stage, findings: Findings, retuned: Retuned, report: Path) -> list[str]:
    """The lines."""
    estimates, flags = findings.estimates.nodes, findings.flags
    top = flags[flags["under"] == ""]
    soon = int((estimates["days_left_p10"] < 42).sum())
    unknown = int(estimates["days_left_p50"].isna().sum())
    kinds = ", ".join(f"{count} {flag}" for flag, count in top["flag"].value_counts().items())
    lines = [
        f"Harrow Flats, invented: {len(estimates)} nodes, {int(estimates['wakes'].sum()):,} wakes in 26 weeks; "
        f"{soon} may not last six weeks, {unknown} without an estimate.",
        f"Flags: {kinds or 'none'}. Why, for one node: wakeledger why {_first_flagged(stage, findings)}",
    ]
    lines += [_retuned_line(stage, retuned)]
    settings = stage.prepared.folder / "fleet.toml"
    lines += [
        f"Report: {report / 'report.html'}",
        f"Next: cd {settings.parent} and try `wakeledger nodes`, `wakeledger serve`, `wakeledger advise`, "
        "`wakeledger demo --live` beside `wakeledger watch`; for your own nodes `wakeledger init`.",
    ]
    return lines


def _first_flagged(stage: Stage, findings: Findings) -> str:
    nodes = read_deployment(stage.store, stage.settings.setup_dir).nodes.set_index("node_id")["node"]
    return str(nodes[int(findings.flags["node_id"].iloc[0])]) if len(findings.flags) else "hf01"


def _retuned_line(stage: Stage, retuned: Retuned) -> str:
    """Wakes a day before and after the order, from day rows, and the state each order reached."""
    if not retuned.proposals:
        return "Retune: no proposal was good enough to send."
    nodes = read_deployment(stage.store, stage.settings.setup_dir).nodes
    ids = dict(zip(nodes["node"], nodes["node_id"].astype(int), strict=True))
    orders = read_orders(stage.store)
    days = read_days(stage.store)
    parts = []
    for node, proposal in retuned.proposals.items():
        mine = orders[(orders["node_id"] == ids[node]) & (orders["kind"] == "settings")].iloc[-1]
        own = days[days["node_id"] == ids[node]]
        wakes = (own["seen"] + own["missing"].fillna(0)).to_numpy(float)
        day = own["day"].to_numpy()
        since = int(mine["issued"] // S_PER_D) if np.isfinite(mine["issued"]) else int(day.max())
        before = wakes[(day < since) & (day >= since - WEEK_D)]
        after = wakes[day > day.max() - WEEK_D][:-1]
        parts.append(
            f"{node} {_mean(before)} → {_mean(after)} wakes a day "
            f"(promised {proposal['wakes_per_day']:.0f}; order {mine['state'].replace('_', ' ')})"
        )
    return "Retuned in stages, two weeks later: " + ", ".join(parts) + "."


def _mean(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    return f"{values.mean():.0f}" if len(values) else "?"
