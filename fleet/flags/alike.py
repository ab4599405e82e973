"""Who is like whom: told by profile and settings in force, found by behaviour where nobody told."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleet.flags.view import FleetView, nan_median

FloatArray = npt.NDArray[np.float64]
NEAR = 0.35  # of a natural logarithm: rates within a third of each other
LEAST_FOUND = 3


def groups_of_like(view: FleetView) -> npt.NDArray[np.int64]:
    """One number a group of like nodes. shape (n_nodes,)

    Notes
    -----
    Nodes with a known profile are grouped by it and by the band and interval in force (reported, else listed). The
    others are clustered by timer wakes a day and awake time, by density, since nobody can say how many kinds there are.
    """
    settings = _in_force(view)
    profile = view.nodes["profile"].fillna("").astype(str)
    told = profile.isin(list(view.profiles)).to_numpy()
    keys = np.array(["|".join(map(str, row)) for row in zip(profile, *settings.T, strict=True)], dtype=object)
    if (~told).any():
        rows = np.flatnonzero(~told)
        found = found_groups(_behaviour(view)[rows])
        keys[rows] = [
            f"found {number}" if number >= 0 else f"alone {row}" for number, row in zip(found, rows, strict=True)
        ]
    return np.asarray(pd.factorize(keys)[0], dtype=np.int64)


def found_groups(behaviour: FloatArray) -> npt.NDArray[np.int64]:
    """Groups of rows that lie close together on logarithmic scales; -1 for one that is alone or not known.

    >>> found_groups(np.log(np.array([[24, 300], [25, 310], [24, 290], [288, 300], [280, 310], [290, 300.0]]))).tolist()
    [0, 0, 0, 1, 1, 1]
    """
    from sklearn.cluster import DBSCAN  # takes a second to import; most fleets tell their profiles

    known = np.isfinite(behaviour).all(axis=1)
    groups = np.full(len(behaviour), -1, dtype=np.int64)
    if known.sum() >= LEAST_FOUND:
        groups[known] = DBSCAN(eps=NEAR, min_samples=LEAST_FOUND).fit_predict(behaviour[known])
    return groups


def _in_force(view: FleetView) -> FloatArray:
    """Band and interval that each node reported last, else those of the node list. shape (n_nodes, 3)"""
    names = ["lo", "hi", "sleep_s"]
    listed = view.nodes[names].to_numpy(float)
    if not len(view.settings):
        return listed
    reported = view["set_id"]
    last = np.full(len(reported), -1.0)
    for column in range(reported.shape[1]):
        last = np.where(np.isfinite(reported[:, column]) & (reported[:, column] >= 0), reported[:, column], last)
    told = view.settings.set_index("set_id")[names].reindex(last.astype(np.int64)).to_numpy(float)
    return np.where(np.isfinite(told), told, listed)


def _behaviour(view: FleetView) -> FloatArray:
    """Logarithms of timer wakes a day and of the awake time of such a wake. shape (n_nodes, 2)"""
    timer = nan_median(view["n_timer"])
    with np.errstate(divide="ignore", invalid="ignore"):
        length = nan_median(view["awake_ms_timer"] / view["awake_count_timer"])
        made = np.log(np.column_stack([timer, np.where(np.isfinite(length), length, 1.0)]))
    return np.where(np.isfinite(made), made, np.nan)
