"""The past replayed: at each past week-end the forecast that would have been made then, held against what happened."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from fleet.estimates.fleet import estimate_fleet
from fleet.estimates.scores import score_forecasts
from fleet.jobs.deployment import Deployment
from fleet.store.days import read_days
from fleet.store.engine import Store
from fleet.store.records import read_settings
from fleet.units import S_PER_D

DEAD_AFTER_D = 7.0


def scorecard(store: Store, deployment: Deployment, *, weeks: int, now_at: datetime) -> list[dict[str, Any]]:
    """Coverage and scores of life forecasts over the last weeks, whole fleet and by chemistry and site."""
    days, settings = read_days(store), read_settings(store)
    made = [
        forecasts_at(days, settings, deployment, as_of_at=now_at - timedelta(weeks=back))
        for back in range(1, weeks + 1)
    ]
    forecasts = pd.concat([frame for frame in made if len(frame)] or [pd.DataFrame()], ignore_index=True)
    if not len(forecasts):
        return []
    return score_forecasts(with_outcomes(forecasts, days, deployment, now_at=now_at))


def forecasts_at(
    days: pd.DataFrame, settings: pd.DataFrame, deployment: Deployment, *, as_of_at: datetime
) -> pd.DataFrame:
    """Life forecasts of every node as of a past moment, from day rows of the days before it."""
    known = days[(days["day"] + 1) * S_PER_D <= as_of_at.timestamp()]
    if not len(known):
        return pd.DataFrame()
    events = deployment.events[deployment.events["at"] <= as_of_at.timestamp()]
    estimates = estimate_fleet(
        known,
        deployment.nodes,
        deployment.profiles,
        events,
        as_of_at=as_of_at,
        since_at=None,
        settings=settings,
        chemistries=deployment.chemistries,
    )
    return estimates.nodes.assign(made=as_of_at.timestamp())


def with_outcomes(
    forecasts: pd.DataFrame, days: pd.DataFrame, deployment: Deployment, *, now_at: datetime
) -> pd.DataFrame:
    """The forecasts with `days_until` (death, swap or now) and `died`, false where life goes on or a swap ended it.

    A node is dead when its last record is more than seven days back and no swap followed (results contract).
    """
    heard = days.groupby("node_id")["last_t"].max()
    swaps = deployment.events[deployment.events["what"] == "swap"].groupby("node_id")["at"].apply(np.sort)
    rows = forecasts.merge(deployment.nodes[["node_id", "site", "chemistry"]], on="node_id")
    last = rows["node_id"].map(heard).to_numpy(float)
    pairs = zip(rows["node_id"], rows["made"], strict=True)
    swapped = np.array([_first_after(swaps.get(node), made) for node, made in pairs])
    died = (now_at.timestamp() - last > DEAD_AFTER_D * S_PER_D) & ~(swapped < now_at.timestamp())
    end = np.where(died, last, np.fmin(swapped, now_at.timestamp()))
    return rows.assign(days_until=(end - rows["made"]) / S_PER_D, died=died)


def _first_after(moments: Any, since: float) -> float:
    later = [at for at in (moments if moments is not None else []) if at > since]
    return float(later[0]) if later else np.inf
