"""A second opinion only: a node that stands apart from its like in several figures at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray, nan_median
from fleet.words import Flag

LEAST_NODES = 20
RECENT_D = 14
TREES = 100
APART = 0.62
FIGURES = ("wakes", "timer wakes", "failed attempts", "signal", "voltage", "awake time")


def unlike_peers(view: FleetView, flagged: npt.NDArray[np.int64]) -> Verdicts:
    """True where an isolation forest sets a node apart from its like and another rule has flagged it already.

    Notes
    -----
    Never evidence by itself: `flagged` are the ids that some other rule speaks of. Figures are medians of a fortnight,
    in robust standard deviations about the median of the group.
    Source: Liu, Ting and Zhou, Isolation Forest, ICDM 2008.
    """
    apart = _apart(view)
    score = np.full(len(apart), np.nan)
    known = np.isfinite(apart).any(axis=1)
    if known.sum() >= LEAST_NODES and len(flagged):
        from sklearn.ensemble import IsolationForest  # takes a second to import

        forest = IsolationForest(n_estimators=TREES, random_state=0)
        filled = np.nan_to_num(np.clip(apart[known], -20, 20))
        score[known] = -forest.fit(filled).score_samples(filled)
    hit: BoolArray = np.nan_to_num(score) > APART
    hit &= np.isin(view.node_ids, flagged)

    def say(index: int) -> str:
        worst = int(np.nanargmax(np.abs(apart[index])))
        return (
            f"it stands apart from its like (isolation score {score[index]:.2f}), most in its {FIGURES[worst]}: "
            f"{apart[index, worst]:+.1f} robust standard deviations."
        )

    return verdicts(
        Flag.UNLIKE_PEERS,
        hit,
        np.isfinite(score),
        since_d=np.full(len(score), float(view.first_day + view.shape[1] - 1)),
        strength=np.where(hit, 0.5, 0.0),
        say=say,
        part="see the flag above it",
        window_d=float(RECENT_D),
    )


def _apart(view: FleetView) -> FloatArray:
    """Each figure's distance from its group's median, in robust standard deviations. shape (n_nodes, n_figures)"""
    recent = np.s_[:, -RECENT_D:]
    with np.errstate(divide="ignore", invalid="ignore"):
        failed = view["failed_tries"] / view["tries_count"]
        awake = view["awake_ms_timer"] / view["awake_count_timer"]
    series = (np.sqrt(view.wakes), np.sqrt(view["n_timer"]), failed, view["rssi_dbm"], view["batt_mv"], awake)
    figures = np.column_stack([nan_median(one[recent]) for one in series])
    apart = np.full_like(figures, np.nan)
    for group in np.unique(view.peer_codes):
        rows = np.flatnonzero(view.peer_codes == group)
        if len(rows) < 4:
            continue
        middle = nan_median(figures[rows].T)
        spread = 1.4826 * nan_median(np.abs(figures[rows] - middle).T)
        apart[rows] = (figures[rows] - middle) / np.maximum(spread, 0.05 * np.maximum(np.abs(middle), 0.2))
    return apart
