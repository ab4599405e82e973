"""Advice for a target, what other settings would do, and proposals made into drafted orders."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from fleet.advice.choose import Target
from fleet.advice.fleet import advise_fleet
from fleet.errors import SetupError, StoreError
from fleet.estimates.fleet import Estimates
from fleet.frames import CHARGE, OUTLOOK, empty_frame
from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import Known, draft, known_of, present_settings
from fleet.jobs.nightly import read_evidence
from fleet.jobs.what_if import what_if_answers
from fleet.messages import BandSettings
from fleet.orders_limits import LONGER_AT_MOST
from fleet.profiles.nodes import moment_s
from fleet.settings import Settings
from fleet.store.engine import Store
from fleet.store.findings import read_estimates, read_flags
from fleet.store.results import advice_objects


def target_of(until: str | None, odds: float, wakes_per_d: float | None, *, now_at: datetime) -> Target:
    """What the person wants: life until a date at given odds, a wake budget, or the tool's own default.

    Raises
    ------
    SetupError
        If the date has passed.
    """
    if until is None:
        return Target(odds=odds, wakes_per_day=wakes_per_d)
    until_at = datetime.fromtimestamp(moment_s("--until", until), UTC)
    if until_at <= now_at:
        raise SetupError(f"--until {until}: has passed; expected a moment after {now_at:%Y-%m-%d}.")
    return Target(until_at=until_at, odds=odds, wakes_per_day=wakes_per_d)


def advice_rows(store: Store, deployment: Deployment, *, target: Target, now_at: datetime) -> list[dict[str, Any]]:
    """One object a node, as `advice` of the results contract, with node, site, remedy and sentence."""
    evidence = read_evidence(store, now_at)
    swaps = empty_frame({"node_id": "int32", "at": "float64", "told": "bool"})
    known = Estimates(read_estimates(store), empty_frame(CHARGE), empty_frame(OUTLOOK), swaps)
    advice = advise_fleet(
        evidence.records,
        evidence.hists,
        evidence.days,
        known,
        read_flags(store),
        nodes=deployment.nodes,
        profiles=deployment.profiles,
        settings=evidence.settings,
        target=target,
        as_of_at=now_at,
        wider_log_sd=evidence.wider_log_sd,
    )
    return advice_objects(advice, deployment.nodes)


def what_if_rows(
    store: Store, deployment: Deployment, node: str, asked: Mapping[str, Any], *, now_at: datetime
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The node as it is, and as it would be under these settings.

    Raises
    ------
    StoreError
        If there is no such node.
    """
    if node not in set(deployment.nodes["node"]):
        raise StoreError(f"{node}: no such node. See `wakeledger nodes`.")
    both = [(node, BandSettings()), (node, BandSettings(**asked))]
    answers = what_if_answers(both, read_evidence(store, now_at), read_estimates(store), deployment)
    before, after = answers[node]
    return before, after


def draft_orders(
    store: Store,
    deployment: Deployment,
    settings: Settings,
    rows: Sequence[Mapping[str, Any]],
    *,
    drafted_by: str,
    now_at: datetime,
) -> int:
    """Proposals of settings made into drafted orders; the number made."""
    known = known_of(store, deployment, settings, now_at)
    proposals = first_steps(store, deployment, known, rows, now_at=now_at)
    for row in proposals:
        draft(store, known, row["node"], row["set"], drafted_by=drafted_by, now_at=now_at, predicted=dict(row))
    return len(proposals)


def first_steps(
    store: Store, deployment: Deployment, known: Known, rows: Sequence[Mapping[str, Any]], *, now_at: datetime
) -> list[dict[str, Any]]:
    """Proposals of settings as one order may ask for them: a timer interval grows at most twofold an order (limit G1).

    A proposal that goes further is cut to its first step, and what that step would do is worked out again.
    """
    proposals = [dict(row) for row in rows if row["remedy"] == "settings"]
    cut: dict[str, BandSettings] = {}
    for row in proposals:
        most_s = LONGER_AT_MOST * (present_settings(known, row["node"]).sleep_s or math.inf)
        if row["set"]["sleep_s"] > most_s:
            row["set"] = row["set"] | {"sleep_s": most_s}
            cut[row["node"]] = BandSettings(**row["set"])
    if cut:
        answers = what_if_answers(cut.items(), read_evidence(store, now_at), read_estimates(store), deployment)
        proposals = [row | answers[row["node"]][0] if row["node"] in cut else row for row in proposals]
    return proposals
