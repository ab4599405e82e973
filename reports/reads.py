"""What a report needs from the store: the last analysis as it was written, or a past moment analysed again."""

from __future__ import annotations

from datetime import UTC, datetime
from math import nan
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fleet.frames import ESTIMATE, empty_frame
from fleet.units import S_PER_D
from fleet.words import Cause
from reports.build_nodes import SETTINGS
from reports.build_strips import STRIP_D
from reports.found import Found

if TYPE_CHECKING:
    from fleet.jobs.deployment import Deployment
    from fleet.store.engine import Store

WEEK_D = 7.0
SLACK_D = 0.6
HISTORY_D = 190
DAY_COLUMNS = ("node_id", "day", "seen", "missing", "first_t", "last_t", *(f"n_{cause.word}" for cause in Cause))
STRIP_NODES = 24
SCORED_W = 26
SCORES = ("coverage", "coverage_lo", "coverage_hi", "nodes_ended", "forecasts")


def read_found(store: Store, deployment: Deployment, as_of: float) -> Found:
    """All frames of the analysis of this moment; a moment older than the last analysis is analysed again."""
    from fleet.estimates.scorecard import corrected
    from fleet.store import for_report
    from fleet.store.audit import audit_head
    from fleet.store.days import read_days
    from fleet.store.findings import last_analysis
    from fleet.store.orders import read_orders
    from fleet.store.reading import read_settings

    stored = last_analysis(store) == as_of
    found = _stored(store, as_of) if stored else _again(store, deployment, as_of)
    nodes = with_settings(with_cells(deployment), read_settings(store))
    day = int(as_of // S_PER_D)
    head = audit_head(store)
    days = read_days(store, since_day=day - HISTORY_D, until_day=day + 1, columns=DAY_COLUMNS)
    scores = _scores(store, deployment, days, as_of)
    estimates = corrected(found["estimates"], scores.get("correction", nan))
    worst = _busiest(nodes, estimates, found["flags"])
    return Found(
        nodes=nodes,
        days=days,
        events=deployment.events,
        before=corrected(_week_before(store, as_of), scores.get("correction", nan)),
        records=_wakes_of(store, worst, as_of),
        cells_per_node={name: p.battery.series * p.battery.parallel for name, p in deployment.profiles.items()},
        scores=scores,
        estimates=estimates,
        charge=found["charge"],
        outlook=found["outlook"],
        flags=found["flags"],
        advice=found["advice"],
        orders=read_orders(store),
        set_aside_count=for_report.set_aside_count(store, as_of - WEEK_D * S_PER_D, as_of),
        overrides_count=for_report.overrides_count(store),
        overrides=for_report.overrides(store),
        audit_head=None if head is None else f"{head[0]} · {head[1][:16]}",
    )


def _stored(store: Store, as_of: float) -> dict[str, pd.DataFrame]:
    from fleet.store import findings

    since_day = int(as_of // S_PER_D) - HISTORY_D
    return {
        "estimates": findings.read_estimates(store),
        "charge": findings.read_charge(store, since_day=since_day),
        "outlook": findings.read_outlook(store),
        "flags": findings.read_flags(store),
        "advice": findings.read_advice(store),
    }


def _again(store: Store, deployment: Deployment, as_of: float) -> dict[str, pd.DataFrame]:
    """The findings of a past moment, from what had been measured by then."""
    from dataclasses import replace

    from fleet.jobs.analyse import analyse
    from fleet.jobs.nightly import read_evidence

    now_at = datetime.fromtimestamp(as_of, UTC)
    evidence = read_evidence(store, now_at)
    days = evidence.days[(evidence.days["day"] + 1) * S_PER_D <= as_of].reset_index(drop=True)
    events = deployment.events
    told = events[(events["at"] <= as_of) | (events["what"] == "visit")].reset_index(drop=True)
    found = analyse(replace(evidence, days=days), replace(deployment, events=told), as_of_at=now_at)
    estimates = found.estimates
    return {
        "estimates": estimates.nodes,
        "charge": estimates.charge,
        "outlook": estimates.outlook,
        "flags": found.flags,
        "advice": found.advice,
    }


def with_cells(deployment: Deployment) -> pd.DataFrame:
    """Nodes with the cells that their profile has, where the list names none."""
    nodes = deployment.nodes.copy()
    usual = {name: profile.battery.chemistry for name, profile in deployment.profiles.items()}
    told = nodes["chemistry"].where(nodes["chemistry"].notna() & (nodes["chemistry"] != ""))
    nodes["chemistry"] = told.fillna(nodes["profile"].map(usual)).fillna("")
    return nodes


def with_settings(nodes: pd.DataFrame, reported: pd.DataFrame) -> pd.DataFrame:
    """Nodes with the settings that their records last reported, where they did; what the list says elsewhere."""
    if not len(reported):
        return nodes
    last = reported.sort_values("set_id").groupby("node_id").last().reindex(nodes["node_id"])
    told = {name: pd.Series(last[name].to_numpy(float), nodes.index).fillna(nodes[name]) for name in SETTINGS}
    return nodes.assign(**told)


def _week_before(store: Store, as_of: float) -> pd.DataFrame:
    """Estimates of the last analysis that is about a week older."""
    from fleet.store.findings import read_estimates
    from fleet.store.for_report import analysed_at

    older = [at for at in analysed_at(store) if at <= as_of - (WEEK_D - SLACK_D) * S_PER_D]
    return read_estimates(store, as_of_s=older[-1]) if older else empty_frame(ESTIMATE)


def _busiest(nodes: pd.DataFrame, estimates: pd.DataFrame, flags: pd.DataFrame) -> list[int]:
    """Nodes whose records a calendar strip may need."""
    table = estimates[["node_id", "wakes_per_day"]].merge(nodes[["node_id", "site"]], on="node_id")
    ratio = table["wakes_per_day"] / table.groupby("site")["wakes_per_day"].transform("median")
    ranked = table.assign(ratio=ratio.replace([np.inf, -np.inf], np.nan)).nlargest(STRIP_NODES, "ratio")["node_id"]
    flagged = flags[flags["flag"] == "wakes_often"].nlargest(STRIP_NODES, "strength")["node_id"]
    return sorted({int(node_id) for node_id in [*ranked, *flagged]})


def _wakes_of(store: Store, node_ids: list[int], as_of: float) -> pd.DataFrame:
    from fleet.store.records import read_records

    records = read_records(store, as_of - (STRIP_D + 1) * S_PER_D, as_of, node_ids)
    return records[["node_id", "t", "cause"]]


def _scores(store: Store, deployment: Deployment, days: pd.DataFrame, as_of: float) -> dict[str, float]:
    """The weekly forecasts of the last half year, as they were made, against what happened."""
    from fleet.estimates.scorecard import score_forecasts
    from fleet.jobs.score import outcomes_of
    from fleet.store.findings import read_estimates
    from fleet.store.for_report import analysed_at

    made = [read_estimates(store, as_of_s=at) for at in _weekly(analysed_at(store), as_of)]
    made = [frame for frame in made if len(frame)]
    if not made or not len(days):
        return {}
    forecasts = pd.concat(made, ignore_index=True).rename(columns={"as_of": "at"})
    forecasts = forecasts.merge(deployment.nodes[["node_id", "site", "chemistry"]], on="node_id")
    outcomes = outcomes_of(days, deployment, now_at=datetime.fromtimestamp(as_of, UTC))
    card = score_forecasts(forecasts, outcomes)
    fleet = card.rows.iloc[0]
    return {**{name: float(fleet[name]) for name in SCORES}, "correction": card.conformal_factor}


def _weekly(moments: list[float], as_of: float) -> list[float]:
    """One moment a week of the last half year, the newest of each week."""
    kept: dict[int, float] = {}
    for at in moments:
        back_w = int((as_of - at) // (WEEK_D * S_PER_D))
        if at < as_of and back_w < SCORED_W:
            kept[back_w] = at
    return [kept[back_w] for back_w in sorted(kept, reverse=True)]
