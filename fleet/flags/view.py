"""The fleet as a rule sees it: node-by-day arrays, who is like whom, what people told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleet.estimates.fleet import Estimates
from fleet.profiles.profile import Profile
from fleet.units import S_PER_D
from fleet.words import BAND_CAUSES, EventKind

if TYPE_CHECKING:
    from fleet.flags.matched import Matched
    from fleet.flags.voltage_slope import Slopes

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
RECENT_D = 7


@dataclass(frozen=True)
class FleetView:
    """Arrays are (n_nodes, n_days), NaN where a node has no record that day; the last column is the last whole day.

    `estimates` and `nodes` are aligned to `node_ids`; `as_of_s` is the moment of judging. [s]
    """

    node_ids: npt.NDArray[np.int64]
    first_day: int
    columns: Mapping[str, FloatArray]
    nodes: pd.DataFrame
    estimates: pd.DataFrame
    swaps: pd.DataFrame
    profiles: Mapping[str, Profile]
    events: pd.DataFrame
    settings: pd.DataFrame
    orders: pd.DataFrame
    as_of_s: float
    false_per_week: float = 1.0

    def __getitem__(self, column: str) -> FloatArray:
        return self.columns[column]

    @property
    def shape(self) -> tuple[int, int]:
        """Nodes and days."""
        return self.columns["seen"].shape

    @cached_property
    def heard(self) -> BoolArray:
        """True where a node has any record at all. shape (n_nodes,)"""
        return np.asarray(np.isfinite(self["seen"]).any(axis=1))

    @cached_property
    def wakes(self) -> FloatArray:
        """Wakes of each node-day, missing ones counted in. shape (n_nodes, n_days)"""
        return self["seen"] + np.nan_to_num(self["missing"])

    @cached_property
    def band_wakes(self) -> FloatArray:
        """Wakes for a left band. shape (n_nodes, n_days)"""
        return sum((self[f"n_{cause.word}"] for cause in BAND_CAUSES), np.zeros(self.shape))

    @cached_property
    def site_codes(self) -> npt.NDArray[np.int64]:
        """One number a site. shape (n_nodes,)"""
        return pd.factorize(self.nodes["site"].fillna("").astype(str))[0].astype(np.int64)

    @cached_property
    def peer_codes(self) -> npt.NDArray[np.int64]:
        """One number a group of like nodes: same profile and settings in force, or found alike. shape (n_nodes,)"""
        from fleet.flags.alike import groups_of_like  # it takes a view itself

        return groups_of_like(self)

    @cached_property
    def profile_codes(self) -> npt.NDArray[np.int64]:
        """One number a kind of node and chemistry. shape (n_nodes,)"""
        keys = self.nodes[["profile", "chemistry"]].astype(str).agg("|".join, axis=1)
        return pd.factorize(keys)[0].astype(np.int64)

    @cached_property
    def counted_mah(self) -> FloatArray:
        """Charge of each node-day by the profile's figures. shape (n_nodes, n_days)"""
        from fleet.flags.voltage_slope import counted_mah  # it takes a view itself

        return counted_mah(self)

    @cached_property
    def drawn_mah(self) -> FloatArray:
        """Charge counted over the days at hand. shape (n_nodes,)"""
        return np.asarray(nan_mean(self.counted_mah) * np.isfinite(self.counted_mah).sum(axis=1), dtype=float)

    @cached_property
    def matched(self) -> Matched:
        """How each battery falls beside those of its like that have given as much."""
        from fleet.flags.matched import matched_falls  # it takes a view itself

        return matched_falls(self)

    @cached_property
    def slopes(self) -> Slopes:
        """How each battery's voltage falls on the charge counted; three rules ask for it."""
        from fleet.flags.voltage_slope import voltage_slopes  # it takes a view itself

        return voltage_slopes(self)

    def told(self, *kinds: EventKind) -> pd.DataFrame:
        """Told events of these kinds up to the moment of judging."""
        chosen = self.events["what"].isin([str(kind) for kind in kinds]) & (self.events["at"] <= self.as_of_s)
        return self.events[chosen]

    def breaks(self) -> BoolArray:
        """Days on which something known changed: settings, a visit, a swap. shape (n_nodes, n_days)"""
        marks = (np.nan_to_num(self["set_changes"]) > 0) | _other_settings(self["set_id"])
        told = self.told(EventKind.SWAP, EventKind.MOVED)
        for node_id, at in zip(told["node_id"], told["at"], strict=True):
            row = np.searchsorted(self.node_ids, node_id)
            column = int(at // S_PER_D) - self.first_day
            if row < len(self.node_ids) and self.node_ids[row] == node_id and 0 <= column < marks.shape[1]:
                marks[row, column] = True
        return marks

    def mean_recent(self, values: FloatArray, days: int = RECENT_D) -> FloatArray:
        """Mean over the last days that have a value; NaN where none has. shape (n_nodes,)"""
        return nan_mean(values[:, -days:])

    def median_before(self, values: FloatArray, days: int = RECENT_D) -> FloatArray:
        """Median over the days before the last `days`; NaN where none has a value. shape (n_nodes,)"""
        return nan_median(values[:, :-days])

    def profile_figure(self, name: str) -> FloatArray:
        """A figure of each node's profile: `sleep_ua`, `cutoff_mv`, `capacity_mah`, `silence_s`. shape (n_nodes,)"""
        return np.array([_figure(self.profiles.get(str(key)), name) for key in self.nodes["profile"]], dtype=float)


def _other_settings(set_id: FloatArray) -> BoolArray:
    """Days that end with other settings than the last day that told some: a change at night shows in no single day.

    >>> _other_settings(np.array([[4.0, -1.0, np.nan, 5.0, 5.0]])).tolist()
    [[False, False, False, True, False]]
    """
    told = np.isfinite(set_id) & (set_id >= 0)
    place = np.maximum.accumulate(np.where(told, np.arange(set_id.shape[1]), -1), axis=1)
    before = np.concatenate([np.full((len(set_id), 1), -1), place[:, :-1]], axis=1)
    last = np.take_along_axis(set_id, np.maximum(before, 0), axis=1)
    return np.asarray(told & (before >= 0) & (set_id != last))


def _figure(profile: Profile | None, name: str) -> float:
    if profile is None:
        return np.nan
    if name == "sleep_ua":
        return profile.sleep.current_ua.mean
    if name == "cutoff_mv":
        return profile.battery.cutoff_mv
    if name == "capacity_mah":
        return profile.battery.capacity_mah.mean * profile.battery.parallel
    if name == "silence_s":
        return profile.limits.silence_s or np.nan
    raise KeyError(name)


def nan_mean(values: FloatArray) -> FloatArray:
    """Mean of each row's known values; NaN where there is none. shape (n,)

    >>> nan_mean(np.array([[1.0, 3.0], [np.nan, np.nan]]))
    array([ 2., nan])
    """
    known = np.isfinite(values)
    count = known.sum(axis=1)
    total = np.where(known, values, 0.0).sum(axis=1)
    mean = np.full(len(values), np.nan)
    mean[count > 0] = total[count > 0] / count[count > 0]
    return mean


def nan_median(values: FloatArray) -> FloatArray:
    """Lower median of each row's known values; NaN where there is none. shape (n,)

    >>> nan_median(np.array([[1.0, 2.0, 9.0, np.nan], [np.nan] * 4]))
    array([ 2., nan])
    """
    count = np.isfinite(values).sum(axis=1)
    if values.shape[1] == 0:
        return np.full(len(values), np.nan)
    ordered = np.sort(values, axis=1)
    middle = np.maximum((count - 1) // 2, 0)
    return np.where(count > 0, ordered[np.arange(len(values)), middle], np.nan)


def view_of(
    days: pd.DataFrame,
    estimates: Estimates,
    nodes: pd.DataFrame,
    profiles: Mapping[str, Profile],
    events: pd.DataFrame,
    *,
    settings: pd.DataFrame,
    orders: pd.DataFrame,
    as_of_at: datetime,
    false_per_week: float = 1.0,
) -> FleetView:
    """The view of a fleet up to the last whole UTC day before `as_of_at`."""
    as_of_s = as_of_at.timestamp()
    last_day = int(as_of_s // S_PER_D) - 1
    whole = days[days["day"] <= last_day]
    node_ids = np.sort(nodes["node_id"].to_numpy(np.int64))
    whole = whole[whole["node_id"].isin(node_ids)]
    first_day = int(whole["day"].min()) if len(whole) else last_day
    rows = np.searchsorted(node_ids, whole["node_id"].to_numpy())
    cols = whole["day"].to_numpy() - first_day
    columns: dict[str, FloatArray] = {}
    for name in whole.columns.difference(["node_id", "day"]):
        dense = np.full((len(node_ids), last_day - first_day + 1), np.nan)
        dense[rows, cols] = whole[name].to_numpy(float)
        columns[name] = dense
    return FleetView(
        node_ids=node_ids,
        first_day=first_day,
        columns=columns,
        nodes=nodes.set_index("node_id").reindex(node_ids),
        estimates=estimates.nodes.set_index("node_id").reindex(node_ids),
        swaps=estimates.swaps,
        profiles=profiles,
        events=events,
        settings=settings,
        orders=orders,
        as_of_s=as_of_s,
        false_per_week=false_per_week,
    )
