"""The reserve ladder of one node: which interval to fall to as its charge falls, so that it lives until the visit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from fleet.advice.reserve import interval_steps, reserve_ladder
from fleet.errors import EstimateError, SetupError
from fleet.jobs.deployment import Deployment
from fleet.jobs.nightly import read_evidence
from fleet.jobs.what_if import NOT_ENOUGH, known_of_node
from fleet.store.engine import Store
from fleet.store.findings import read_estimates
from fleet.store.results import rows_of
from fleet.units import S_PER_D
from fleet.words import EventKind


@dataclass(frozen=True)
class Reserve:
    """Rungs of one node, with what they rest on; `rung` is the one that its charge calls for now (0: none)."""

    node: str
    until: float
    odds: float
    charge_left: float | None
    rung: int
    rungs: list[dict[str, Any]]


def reserve_of(
    store: Store, deployment: Deployment, node: str, *, until_at: datetime | None, odds: float, now_at: datetime
) -> Reserve:
    """The ladder of a node until its next planned visit, or until a moment that is given.

    Raises
    ------
    SetupError
        If there is no such node, or neither a planned visit nor a moment.
    EstimateError
        If its records carry no model, or its battery is not known.
    """
    rows = [row for row in rows_of(deployment.nodes) if row["node"] == node]
    if not rows:
        raise SetupError(f"{node}: no such node. See `wakeledger nodes`.")
    until_s = until_at.timestamp() if until_at else _next_visit_s(deployment, int(rows[0]["node_id"]), node, now_at)
    estimate = {int(row["node_id"]): row for row in rows_of(read_estimates(store))}.get(int(rows[0]["node_id"]), {})
    known = known_of_node(rows[0], estimate, read_evidence(store, now_at), deployment)
    if known is None:
        raise EstimateError(f"{node}: {NOT_ENOUGH}. Wait for more records, or look at `wakeledger node {node}`.")
    usable_mah = float(estimate.get("usable_mah") or np.nan)
    if not usable_mah > 0:
        raise EstimateError(f"{node}: what its battery holds is not known yet. Run `wakeledger analyse`, then see why.")
    steps = interval_steps(known.model, known.seen.now, known.profile, known.budget, wider_log_sd=known.wider_log_sd)
    log_sd = max(known.budget.log_sd, 0.05)
    until_d = (until_s - now_at.timestamp()) / S_PER_D
    rungs = reserve_ladder(steps, usable_mah=usable_mah, until_d=until_d, odds=odds, log_sd=log_sd)
    by_interval = {step.settings.sleep_s: step for step in steps}
    charge_left = float(estimate.get("charge_left") or np.nan)
    told = [
        {
            "below_charge_left": rung.charge_left,
            "sleep_s": rung.sleep_s,
            "wakes_per_day": float(by_interval[rung.sleep_s].wakes_per_day.mid),
            "drain_mah_per_day": float(by_interval[rung.sleep_s].drain_mah_per_day.mid),
            "events_seen": float(by_interval[rung.sleep_s].events_seen.mid),
        }
        for rung in rungs
    ]
    reached = sum(charge_left < rung.charge_left for rung in rungs)
    return Reserve(node, until_s, odds, charge_left if np.isfinite(charge_left) else None, reached, told)


def _next_visit_s(deployment: Deployment, node_id: int, node: str, now_at: datetime) -> float:
    """When somebody next comes."""
    events = deployment.events
    mine = (events["node_id"] == node_id) & (events["what"] == str(EventKind.VISIT))
    ahead = events.loc[mine & (events["at"] > now_at.timestamp()), "at"]
    if not len(ahead):
        raise SetupError(
            f"{node}: no visit is planned; a ladder needs a day to live until. Plan one: wakeledger visits add, "
            "or give --until."
        )
    return float(ahead.min())
