"""What stands beside a group on trial: unordered nodes of its sites, its drain since, crossings neighbours saw."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from fleet.daily.rollup import roll_up
from fleet.estimates.fleet import estimate_fleet
from fleet.frames import DAY, RECORD
from fleet.jobs.deployment import Deployment
from fleet.store.days import read_days
from fleet.store.engine import Store
from fleet.store.orders import read_orders
from fleet.store.reading import read_records, read_settings
from fleet.units import S_PER_D
from fleet.words import Cause, OrderState

USUAL_D = 28
LEAST_USUAL_D = 7
LEAST_CONTROLS = 3
"""Fewer unordered nodes say nothing: one that is broken or hostile could hide a bad order or halt a good one."""
SHRINK_WAKES = 5.0
ALARM_WITHIN_S = 3600.0
DRAWS = 64
ORDERED = (OrderState.SEALED, OrderState.POSTED, OrderState.ON_TRIAL, OrderState.UNSURE)
BAND = (int(Cause.BAND_LOW), int(Cause.BAND_HIGH))


def ordered_ids(store: Store, since_s: float) -> set[int]:
    """Nodes that are no control: with an order on its way or on trial, or put in force since a moment."""
    orders = read_orders(store, states=[*ORDERED, OrderState.IN_FORCE])
    busy = orders["state"].isin([str(state) for state in ORDERED]) | (orders["state_at"] >= since_s)
    return set(orders.loc[busy, "node_id"].astype(int))


def site_ratios(
    store: Store, deployment: Deployment, sites: Collection[str], *, since_s: float, now_s: float
) -> dict[str, float]:
    """Wakes of each site's unordered nodes since a moment, divided by their usual; 1 where too few can tell.

    Notes
    -----
    The median over nodes, each ratio drawn towards 1 by five wakes: a storm moves all of them, a broken one nothing.
    Usual is the mean of up to 28 days before that moment, of at least 7.
    """
    nodes = deployment.nodes[deployment.nodes["site"].isin(list(sites)) & ~deployment.nodes["retired"]]
    controls = nodes[~nodes["node_id"].isin(list(ordered_ids(store, since_s)))]
    ids = [int(node_id) for node_id in controls["node_id"]]
    usual = _usual_wakes_per_d(store, ids, int(since_s // S_PER_D))
    seen = wakes_of(read_records(store, since_s, now_s, ids)) if ids else {}
    ratios: dict[str, list[float]] = {}
    for node_id, site in zip(ids, controls["site"], strict=True):
        if node_id in usual:
            expected = usual[node_id] * (now_s - since_s) / S_PER_D
            ratio = (seen.get(node_id, 0.0) + SHRINK_WAKES) / (expected + SHRINK_WAKES)
            ratios.setdefault(str(site), []).append(ratio)
    return {
        site: float(np.median(ratios[site])) if len(ratios.get(site, [])) >= LEAST_CONTROLS else 1.0 for site in sites
    }


def wakes_of(records: pd.DataFrame) -> dict[int, float]:
    """Wakes of each node by its own count: those whose records are missing too."""
    if not len(records):
        return {}
    spans = records.groupby(["node_id", "boot"])["seq"].agg(["min", "max"])
    wakes = (spans["max"] - spans["min"] + 1).groupby(level="node_id").sum()
    return {int(str(node_id)): float(count) for node_id, count in wakes.items()}


def _usual_wakes_per_d(store: Store, ids: Sequence[int], until_day: int) -> dict[int, float]:
    if not ids:
        return {}
    columns = ("node_id", "day", "seen", "missing")
    days = read_days(store, ids, since_day=until_day - USUAL_D, until_day=until_day, columns=columns)
    usual = {}
    for node_id, part in days.groupby("node_id"):
        span_d = int(part["day"].max() - part["day"].min()) + 1
        if span_d >= LEAST_USUAL_D:
            usual[int(str(node_id))] = float((part["seen"] + part["missing"].fillna(0.0)).sum()) / span_d
    return usual


def drains_low(
    store: Store, deployment: Deployment, since_s: Mapping[int, float], *, now_at: datetime
) -> dict[int, float]:
    """The least that each node may have drained a day since its order was first seen applied; [mAh/day], by node_id.

    Only records of that time are used, so that what the node did before can't hide what it does now.
    """
    found = {}
    for node_id, begun_s in since_s.items():
        records = read_records(store, begun_s, now_at.timestamp(), [node_id])
        if not len(records):
            continue
        settings = read_settings(store)
        told = {str(name): settings[name].to_numpy() for name in settings}
        days = pd.DataFrame(roll_up({name: records[name].to_numpy() for name in RECORD}, told), columns=list(DAY))
        estimate = estimate_fleet(
            days,
            deployment.nodes[deployment.nodes["node_id"] == node_id].reset_index(drop=True),
            deployment.profiles,
            deployment.events,
            as_of_at=now_at,
            since_at=datetime.fromtimestamp(begun_s, UTC),
            settings=settings,
            chemistries=deployment.chemistries,
            draws=DRAWS,
        ).nodes
        low = float(estimate["drain_mah_per_day_lo"].iloc[0]) if len(estimate) else np.nan
        if np.isfinite(low):
            found[node_id] = low
    return found


def missed_alarms(
    store: Store, deployment: Deployment, group: Sequence[Mapping[str, Any]], *, since_s: float, now_s: float
) -> set[str]:
    """Nodes of the group that told nothing when at least half of their unordered neighbours woke beyond the alarm.

    Notes
    -----
    A neighbour is of the same site and compares the same reading. A node is given the longer of its shortest event and
    an hour before and after the crossing; it must have been heard after that, else its silence is looked at elsewhere.
    """
    nodes = {int(row["node_id"]): row for row in deployment.nodes.to_dict("records")}
    ordered = ordered_ids(store, since_s)
    sites = {nodes[int(row["node_id"])]["site"] for row in group}
    ids = [node_id for node_id, row in nodes.items() if row["site"] in sites and not row["retired"]]
    records = read_records(store, since_s - ALARM_WITHIN_S, now_s, ids)
    by_node = {int(str(node_id)): part for node_id, part in records.groupby("node_id")}
    missed = set()
    for row in group:
        node = nodes[int(row["node_id"])]
        beside = [
            by_node.get(node_id)
            for node_id, other in nodes.items()
            if node_id not in ordered
            and node_id != node["node_id"]
            and not other["retired"]
            and (other["site"], other["banded_reading"]) == (node["site"], node["banded_reading"])
        ]
        own, begun_s = by_node.get(int(row["node_id"])), float(row["state_at"])
        if own is not None and beside and _missed(own, beside, deployment, str(node["profile"]), begun_s):
            missed.add(str(row["node"]))
    return missed


def _missed(
    own: pd.DataFrame, beside: Sequence[pd.DataFrame | None], deployment: Deployment, profile: str, begun_s: float
) -> bool:
    rules = deployment.profiles.get(profile)
    if rules is None or rules.limits.alarm is None:
        return False
    within_s = max(ALARM_WITHIN_S, (rules.banded.event_s if rules.banded else None) or 0.0)
    told_s = _beyond(own, rules.limits.alarm, band_alone=False)
    crossings = [_beyond(part, rules.limits.alarm) if part is not None else np.empty(0) for part in beside]
    last_s = float(own["t"].max())
    for at_s in np.concatenate(crossings):
        if at_s < begun_s or at_s + within_s > last_s:
            continue
        seen_by = sum(bool((np.abs(times_s - at_s) <= within_s).any()) for times_s in crossings)
        if 2 * seen_by >= len(beside) and not (np.abs(told_s - at_s) <= within_s).any():
            return True
    return False


def _beyond(records: pd.DataFrame, alarm: Sequence[float], *, band_alone: bool = True) -> np.ndarray:
    """Moments of band wakes beyond the alarm limits; without `band_alone` of every band wake or reading there. [s]"""
    reading, band = records["reading"], records["cause"].isin(BAND)
    beyond = (reading <= alarm[0]) | (reading >= alarm[1])
    chosen = band & beyond if band_alone else band | beyond
    return records.loc[chosen, "t"].to_numpy(float)
