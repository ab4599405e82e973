"""Advice for a target, what other settings would do, and proposals made into drafted orders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from fleet.advice.choose import Target
from fleet.advice.fleet import advise_fleet, what_if_fleet
from fleet.errors import SetupError, StoreError
from fleet.jobs.deployment import Deployment
from fleet.jobs.nightly import read_evidence
from fleet.messages import BandSettings
from fleet.profiles.nodes import moment_s
from fleet.store.engine import Store
from fleet.store.findings import advice_objects, read_estimates, read_flags
from fleet.store.orders import add_draft
from fleet.units import S_PER_D


def target_of(until: str | None, odds: float, wakes_per_d: float | None, *, now_at: datetime) -> Target:
    """What the person wants: life until a date at given odds, a wake budget, or the tool's own default.

    Raises
    ------
    SetupError
        If the date has passed.
    """
    if until is None:
        return Target(wakes_per_d=wakes_per_d)
    life_d = (moment_s("--until", until) - now_at.timestamp()) / S_PER_D
    if life_d <= 0:
        raise SetupError(f"--until {until}: has passed; expected a moment after {now_at:%Y-%m-%d}.")
    return Target(life_d=life_d, odds=odds, wakes_per_d=wakes_per_d)


def advice_rows(store: Store, deployment: Deployment, *, target: Target, now_at: datetime) -> list[dict[str, Any]]:
    """One object a node, as `advice` of the results contract, with node, site, remedy and sentence."""
    evidence = read_evidence(store, now_at)
    advice = advise_fleet(
        evidence.records,
        evidence.hists,
        evidence.days,
        read_estimates(store),
        read_flags(store),
        deployment.nodes,
        deployment.profiles,
        settings=evidence.settings,
        target=target,
        as_of_at=now_at,
    )
    return advice_objects(advice, deployment.nodes)


def what_if_rows(
    store: Store, deployment: Deployment, node: str, asked: Mapping[str, Any], *, now_at: datetime
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The node as it is, and as it would be under these settings."""
    if node not in set(deployment.nodes["node"]):
        raise StoreError(f"{node}: no such node. See `wakeledger nodes`.")
    evidence = read_evidence(store, now_at)
    both = [(node, BandSettings()), (node, BandSettings(**asked))]
    answers = what_if_fleet(
        both,
        evidence.records,
        evidence.hists,
        evidence.days,
        read_estimates(store),
        deployment.nodes,
        deployment.profiles,
        settings=evidence.settings,
        as_of_at=now_at,
    )
    before, after = answers[node]
    return before, after


def draft_orders(store: Store, rows: Sequence[Mapping[str, Any]], *, drafted_by: str, now_at: datetime) -> int:
    """Proposals of settings made into drafted orders; the number made."""
    proposals = [row for row in rows if row["remedy"] == "settings"]
    for row in proposals:
        add_draft(store, row["node"], row["set"], predicted=dict(row), drafted_by=drafted_by, at_s=now_at.timestamp())
    return len(proposals)
