"""Every rule over the whole fleet, then one root cause per node at the top."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import pandas as pd

from fleet.estimates.fleet import Estimates
from fleet.flags.after_orders import order_unanswered, order_worse
from fleet.flags.changed_places import ids_crossed, swap_seen
from fleet.flags.clock_wrong import clock_wrong
from fleet.flags.cold_risk import cold_risk
from fleet.flags.drains_fast import drains_fast
from fleet.flags.edge_chatter import edge_chatter
from fleet.flags.gone_quiet import gone_quiet
from fleet.flags.radio_struggle import radio_struggle
from fleet.flags.rank import under_their_root, within_budget
from fleet.flags.records_missing import records_missing
from fleet.flags.resets import brownouts, crash_loop
from fleet.flags.sleep_leak import sleep_leak
from fleet.flags.stuck_reading import stuck_reading
from fleet.flags.unlike_peers import unlike_peers
from fleet.flags.view import view_of
from fleet.flags.wakes_often import wakes_often
from fleet.flags.weak_cell import weak_cell
from fleet.frames import FLAG, empty_frame
from fleet.profiles.profile import Profile

RULES = (
    wakes_often, edge_chatter, drains_fast, sleep_leak, weak_cell, radio_struggle, brownouts, crash_loop, stuck_reading,
    clock_wrong, gone_quiet, records_missing, cold_risk, swap_seen, ids_crossed, order_unanswered, order_worse,
)  # fmt: skip


def flag_fleet(
    days: pd.DataFrame,
    estimates: Estimates,
    nodes: pd.DataFrame,
    profiles: Mapping[str, Profile],
    events: pd.DataFrame,
    *,
    settings: pd.DataFrame,
    orders: pd.DataFrame,
    as_of_at: datetime,
    expected_false_per_week: float,
) -> pd.DataFrame:
    """Open flags of a fleet, strongest first.

    Parameters
    ----------
    days, nodes, events, settings, orders
        DAY, NODE, EVENT, SETTING and order frames.
    expected_false_per_week
        False alarms a week that are bearable over the whole fleet. [1/week]

    Returns
    -------
    FLAG frame.
    """
    if not len(nodes) or not len(days):
        return empty_frame(FLAG)
    view = view_of(
        days,
        estimates,
        nodes,
        profiles,
        events,
        settings=settings,
        orders=orders,
        as_of_at=as_of_at,
        false_per_week=expected_false_per_week,
    )
    if view.shape[1] < 1:
        return empty_frame(FLAG)
    found = [verdict.rows(view.node_ids) for verdict in (rule(view) for rule in RULES)]
    rows = [frame for frame in found if len(frame)]
    if not rows:
        return empty_frame(FLAG)
    second = unlike_peers(view, pd.concat(rows)["node_id"].unique()).rows(view.node_ids)
    ranked = under_their_root(pd.concat([*rows, second] if len(second) else rows, ignore_index=True))
    return within_budget(ranked, as_of_s=as_of_at.timestamp(), expected_false_per_week=expected_false_per_week)
