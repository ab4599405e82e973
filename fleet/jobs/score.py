"""The past replayed: at each past week-end the forecast that would have been made then, held against what happened."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from fleet.estimates.fleet import estimate_fleet
from fleet.estimates.scorecard import Scorecard, score_forecasts
from fleet.jobs.deployment import Deployment
from fleet.store.days import read_days
from fleet.store.engine import Store
from fleet.store.reading import read_settings
from fleet.units import S_PER_D

DEAD_AFTER_D = 7.0


def scorecard(store: Store, deployment: Deployment, *, weeks: int, now_at: datetime) -> Scorecard | None:
    """Coverage and scores of life forecasts over the last weeks, whole fleet and by chemistry and site.

    None where no past week-end has a forecast.
    """
    days, settings = read_days(store), read_settings(store)
    ends = [now_at - timedelta(weeks=back) for back in range(1, weeks + 1)]
    made = [forecasts_at(days, settings, deployment, as_of_at=end) for end in ends]
    made = [frame for frame in made if len(frame)]
    if not made:
        return None
    forecasts = pd.concat(made, ignore_index=True)
    forecasts = forecasts.merge(deployment.nodes[["node_id", "site", "chemistry"]], on="node_id")
    return score_forecasts(forecasts, outcomes_of(days, deployment, now_at=now_at))


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
    return estimates.nodes.rename(columns={"as_of": "at"})


def outcomes_of(days: pd.DataFrame, deployment: Deployment, *, now_at: datetime) -> pd.DataFrame:
    """One row a battery: `start`, `dead_at` (NaN while it lives or where a swap came first), `alive_until`.

    A node is dead when its last record is more than seven days back and no swap followed (results contract).
    """
    now = now_at.timestamp()
    rows = []
    swaps = deployment.events[deployment.events["what"] == "swap"]
    for node_id, heard in days.groupby("node_id"):
        told = np.sort(swaps.loc[swaps["node_id"] == node_id, "at"].to_numpy(float))
        starts = [float(heard["first_t"].min()), *told]
        last = float(heard["last_t"].max())
        for start, end in zip(starts, [*starts[1:], np.inf], strict=True):
            died = end == np.inf and now - last > DEAD_AFTER_D * S_PER_D
            rows.append((node_id, start, last if died else np.nan, min(end, now)))
    return pd.DataFrame(rows, columns=["node_id", "start", "dead_at", "alive_until"])
