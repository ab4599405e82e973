"""Day rows and set-up in, estimates of a whole fleet out: the results contract, flat."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.daily.grid import DayGrid, day_grid
from fleet.estimates.battery import BatteryKind, BatteryState, battery_state
from fleet.estimates.battery_columns import battery_columns, charge_frame, outlook_frame
from fleet.estimates.battery_days import Batteries, batteries_of, fleet_days, node_history
from fleet.estimates.cell_prior import cell_prior
from fleet.estimates.charge_budget import DailyCharge, daily_charge_mah
from fleet.estimates.why_null import reasons
from fleet.estimates.window_columns import window_columns
from fleet.frames import ESTIMATE
from fleet.profiles.chemistry import Chemistry
from fleet.profiles.profile import Profile
from fleet.units import S_PER_D

FloatArray = NDArray[np.float64]
DRAWS_LEAST, DRAWS_MOST = 256, 1024
DRAWS_OF_FLEET = 256_000  # that all nodes share: about 18 s of one core


@dataclass(frozen=True)
class Estimates:
    """Frames ESTIMATE, CHARGE and OUTLOOK; `swaps` has node_id, at [s since 1970] and told."""

    nodes: pd.DataFrame
    charge: pd.DataFrame
    outlook: pd.DataFrame
    swaps: pd.DataFrame


def estimate_fleet(
    days: pd.DataFrame,
    nodes: pd.DataFrame,
    profiles: Mapping[str, Profile],
    events: pd.DataFrame,
    *,
    as_of_at: datetime,
    since_at: datetime | None,
    settings: pd.DataFrame,
    chemistries: Mapping[str, Chemistry],
    draws: int | None = None,
    without: Mapping[str, tuple[str, ...]] | None = None,
) -> Estimates:
    """Everything the results contract says of each node of the node list, in its order.

    Parameters
    ----------
    days
        DAY frame; rows after `as_of_at` are not used.
    since_at
        Begin of the window of counts and drain; each node's first record if None. Batteries always see all days.
    draws
        Draws of each battery's state; fewer are faster and rougher. By default 256 in a fleet of 1,000, up to 1024 in
        a small one.
    without
        Candidate curves to leave out, by node name: for measuring on cells that nobody published.

    Notes
    -----
    A node whose profile or chemistry is not known gets counts and, column by column, the reason for what is missing.
    The same input gives the same output; no clock and no unseeded chance is used.
    """
    as_of_s = as_of_at.timestamp()
    last_day = int(np.ceil(as_of_s / S_PER_D)) - 1
    ids = nodes["node_id"].to_numpy(np.int64)
    profile_of = [profiles.get(str(name)) for name in nodes["profile"]]
    chemistry_of = [_chemistry(*pair, chemistries) for pair in zip(nodes["chemistry"], profile_of, strict=True)]
    past = days[(days["day"] <= last_day) & (days["first_t"] <= as_of_s)]
    counted = functools.partial(_counted, past, nodes, profile_of, chemistry_of, settings=settings, last_day=last_day)
    grid, charge = counted(first_day=None)
    window = (grid, charge)
    if since_at is not None:
        window = counted(first_day=int(since_at.timestamp() // S_PER_D))
    kinds = _kinds(nodes, profile_of, chemistry_of, without or {})
    found = _batteries(grid, charge, nodes, events, kinds, as_of_s=as_of_s, draws=draws or _draws(len(nodes)))
    states, batteries = [state for _, state in found], [one for one, _ in found]
    columns = window_columns(*window, profile_of, since_at=since_at, as_of_s=as_of_s)
    columns |= battery_columns(nodes, states, batteries, charge, grid, as_of_s=as_of_s)
    frame = _frame(columns, nodes, as_of_s)
    frame["why_null"] = pd.Series(reasons(frame, profile_of, chemistry_of, states), index=frame.index, dtype=object)
    return Estimates(frame, charge_frame(ids, states), outlook_frame(ids, states), _swaps(ids, batteries))


def _draws(n_nodes: int) -> int:
    """Draws a node, a power of two."""
    fair = np.clip(DRAWS_OF_FLEET / max(n_nodes, 1), DRAWS_LEAST, DRAWS_MOST)
    return int(2 ** np.floor(np.log2(fair)))


def _counted(
    past: pd.DataFrame,
    nodes: pd.DataFrame,
    profile_of: list[Profile | None],
    chemistry_of: list[Chemistry | None],
    *,
    settings: pd.DataFrame,
    first_day: int | None,
    last_day: int,
) -> tuple[DayGrid, DailyCharge]:
    grid = day_grid(past, nodes["node_id"].to_numpy(np.int64), first_day=first_day, last_day=last_day)
    period = _period_ms(grid, nodes["period_ms"].to_numpy(float), settings)
    return grid, daily_charge_mah(grid, profile_of, chemistries=chemistry_of, period_ms=period)


def _period_ms(grid: DayGrid, listed_ms: FloatArray, settings: pd.DataFrame) -> FloatArray:
    """Coprocessor period of each node-day: as the node reported, else as listed; NaN leaves it to the profile."""
    period = np.broadcast_to(listed_ms[:, None], grid.row.shape).copy()
    if len(settings):
        by_id = settings.set_index("set_id")["period_ms"]
        told = pd.Series(grid["set_id"].ravel()).map(by_id).to_numpy(float).reshape(period.shape)
        period = np.where(np.isfinite(told), told, period)
    return period


def _chemistry(listed: object, profile: Profile | None, chemistries: Mapping[str, Chemistry]) -> Chemistry | None:
    if isinstance(listed, str) and listed:
        return chemistries.get(listed)
    return chemistries.get(profile.battery.chemistry) if profile else None


def _kinds(
    nodes: pd.DataFrame,
    profile_of: list[Profile | None],
    chemistry_of: list[Chemistry | None],
    without: Mapping[str, tuple[str, ...]],
) -> list[BatteryKind | None]:
    """What each node's battery is by the set-up; None where profile or chemistry is not known."""
    return [
        BatteryKind(profile, chemistry, cell_prior(chemistry, without.get(str(name), ())))
        if profile is not None and chemistry is not None
        else None
        for name, profile, chemistry in zip(nodes["node"], profile_of, chemistry_of, strict=True)
    ]


def _batteries(
    grid: DayGrid,
    charge: DailyCharge,
    nodes: pd.DataFrame,
    events: pd.DataFrame,
    kinds: list[BatteryKind | None],
    *,
    as_of_s: float,
    draws: int,
) -> list[tuple[Batteries | None, BatteryState | None]]:
    """Batteries of each node; None for one that can't be estimated."""
    days = fleet_days(grid, charge)
    heard = np.atleast_1d(grid.has_row.any(axis=1))
    found: list[tuple[Batteries | None, BatteryState | None]] = []
    for line, kind in enumerate(kinds):
        if kind is None or not heard[line]:
            found.append((None, None))
            continue
        history = node_history(days, line, nodes.iloc[line], as_of_s=as_of_s)
        batteries = batteries_of(days, line, history, kind, events)
        state = battery_state(history, kind, batteries.starts_s, recharged=batteries.recharged, draws=draws)
        found.append((batteries, state))
    return found


def _frame(columns: Mapping[str, FloatArray], nodes: pd.DataFrame, as_of_s: float) -> pd.DataFrame:
    empty = np.full(len(nodes), np.nan)
    made: dict[str, object] = {name: columns.get(name, empty) for name in ESTIMATE}
    made["node_id"] = nodes["node_id"].to_numpy()
    made["as_of"] = np.full(len(nodes), as_of_s)
    return pd.DataFrame(made)


def _swaps(ids: NDArray[np.int64], batteries: list[Batteries | None]) -> pd.DataFrame:
    rows = [(int(i), at, told) for i, one in zip(ids, batteries, strict=True) if one for at, told in one.swaps]
    return pd.DataFrame(
        {
            "node_id": np.array([row[0] for row in rows], dtype="int32"),
            "at": np.array([row[1] for row in rows], dtype=float),
            "told": np.array([row[2] for row in rows], dtype=bool),
        }
    )
