"""Day rows as node-by-day arrays, and each node's battery since it went in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class NodeDays:
    """Arrays are (n_nodes, n_days), NaN where a node has no record that day; column 0 is `first_day`."""

    node_ids: NDArray[np.int64]
    first_day: int
    columns: Mapping[str, FloatArray]

    def __getitem__(self, name: str) -> FloatArray:
        return self.columns[name]

    @property
    def shape(self) -> tuple[int, int]:
        """Nodes and days."""
        return self.columns["seen"].shape[0], self.columns["seen"].shape[1]

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Where a node has at least one record. shape (n_nodes, n_days)"""
        return np.isfinite(self.columns["seen"])


def node_days(days: pd.DataFrame, node_ids: NDArray[np.int64], *, names: Sequence[str], last_day: int) -> NodeDays:
    """Day rows of these nodes up to and with `last_day`, as dense arrays of the named columns and `seen`.

    Examples
    --------
    >>> rows = pd.DataFrame({"node_id": [7, 7], "day": [20, 22], "seen": [24.0, 23.0]})
    >>> node_days(rows, np.array([7]), names=[], last_day=22)["seen"]
    array([[24., nan, 23.]])
    """
    rows = days[(days["day"].to_numpy() <= last_day) & np.isin(days["node_id"].to_numpy(), node_ids)]
    first_day = int(rows["day"].min()) if len(rows) else last_day
    order = np.argsort(node_ids, kind="stable")
    at_node = order[np.searchsorted(node_ids[order], rows["node_id"].to_numpy())] if len(rows) else np.empty(0, int)
    at_day = rows["day"].to_numpy() - first_day
    columns = {}
    for name in {"seen", *names}:
        dense = np.full((len(node_ids), last_day - first_day + 1), np.nan)
        dense[at_node, at_day] = rows[name].to_numpy(float)
        columns[name] = dense
    return NodeDays(node_ids, first_day, columns)
