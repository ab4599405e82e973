"""Days and records in, findings out: the one middle that the nightly job and the one-shot assessment share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import pandas as pd

from fleet.advice.choose import Target
from fleet.advice.fleet import advise_fleet
from fleet.estimates.fleet import Estimates, estimate_fleet
from fleet.flags.fleet import flag_fleet
from fleet.jobs.deployment import Deployment

FALSE_ALARMS_PER_WEEK = 1.0
RECORDS_FOR_ADVICE_D = 60


@dataclass(frozen=True)
class Findings:
    """All that one analysis found, as frames; see `fleet.frames` for their columns."""

    as_of_at: datetime
    estimates: Estimates
    flags: pd.DataFrame
    advice: pd.DataFrame


@dataclass(frozen=True)
class Evidence:
    """What an analysis rests on: day rows, the records of the last weeks, settings reported, orders open.

    `hists` maps a row of `records` to its histogram (lower edge, step, counts); `wider_log_sd` is, by node, the spread
    by which past predictions were wrong.
    """

    days: pd.DataFrame
    records: pd.DataFrame
    settings: pd.DataFrame
    orders: pd.DataFrame
    hists: Mapping[int, tuple[float, float, list[int]]]
    wider_log_sd: Mapping[int, float] = field(default_factory=dict)


def analyse(
    evidence: Evidence,
    deployment: Deployment,
    *,
    as_of_at: datetime,
    since_at: datetime | None = None,
    target: Target | None = None,
    false_alarms_per_week: float = FALSE_ALARMS_PER_WEEK,
) -> Findings:
    """Estimate, flag, advise: each stage sees what those before it found."""
    estimates = estimate_fleet(
        evidence.days,
        deployment.nodes,
        deployment.profiles,
        deployment.events,
        as_of_at=as_of_at,
        since_at=since_at,
        settings=evidence.settings,
        chemistries=deployment.chemistries,
    )
    flags = flag_fleet(
        evidence.days,
        estimates,
        deployment.nodes,
        deployment.profiles,
        deployment.events,
        settings=evidence.settings,
        orders=evidence.orders,
        as_of_at=as_of_at,
        expected_false_per_week=false_alarms_per_week,
    )
    advice = advise_fleet(
        evidence.records,
        evidence.hists,
        evidence.days,
        estimates,
        flags,
        nodes=deployment.nodes,
        profiles=deployment.profiles,
        settings=evidence.settings,
        target=target or Target(),
        as_of_at=as_of_at,
        wider_log_sd=evidence.wider_log_sd,
    )
    return Findings(as_of_at, estimates, flags, advice)
