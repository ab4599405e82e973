"""One root cause gives one top flag; what follows from it is listed under it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleet.units import D_PER_WEEK, S_PER_D
from fleet.words import Flag

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
ObjectArray = npt.NDArray[np.object_]
LEAST_STRENGTH = 0.25
SURE_STRENGTH = 0.8

EXPLAINS: dict[Flag, tuple[Flag, ...]] = {
    Flag.GONE_QUIET: (Flag.RECORDS_MISSING, Flag.ORDER_UNANSWERED, Flag.UNLIKE_PEERS),
    Flag.IDS_CROSSED: (
        Flag.WAKES_OFTEN,
        Flag.SWAP_SEEN,
        Flag.UNLIKE_PEERS,
        Flag.CLOCK_WRONG,
        Flag.RECORDS_MISSING,
        Flag.DRAINS_FAST,
        Flag.EDGE_CHATTER,
        Flag.SLEEP_LEAK,
        Flag.WEAK_CELL,
        Flag.RADIO_STRUGGLE,
    ),
    Flag.EDGE_CHATTER: (Flag.WAKES_OFTEN, Flag.DRAINS_FAST, Flag.UNLIKE_PEERS),
    Flag.CRASH_LOOP: (Flag.WAKES_OFTEN, Flag.DRAINS_FAST, Flag.RECORDS_MISSING, Flag.CLOCK_WRONG, Flag.UNLIKE_PEERS),
    Flag.SWAP_SEEN: (Flag.UNLIKE_PEERS, Flag.DRAINS_FAST, Flag.WEAK_CELL, Flag.SLEEP_LEAK),
    Flag.SLEEP_LEAK: (Flag.DRAINS_FAST, Flag.WEAK_CELL, Flag.COLD_RISK, Flag.BROWNOUTS, Flag.UNLIKE_PEERS),
    Flag.RADIO_STRUGGLE: (
        Flag.DRAINS_FAST,
        Flag.SLEEP_LEAK,
        Flag.WEAK_CELL,
        Flag.RECORDS_MISSING,
        Flag.WAKES_OFTEN,
        Flag.UNLIKE_PEERS,
    ),
    Flag.WEAK_CELL: (Flag.DRAINS_FAST, Flag.COLD_RISK, Flag.BROWNOUTS, Flag.UNLIKE_PEERS),
    Flag.COLD_RISK: (Flag.BROWNOUTS,),
    Flag.STUCK_READING: (Flag.UNLIKE_PEERS, Flag.WAKES_OFTEN),
    Flag.BROWNOUTS: (Flag.CRASH_LOOP, Flag.RECORDS_MISSING, Flag.WAKES_OFTEN, Flag.CLOCK_WRONG, Flag.UNLIKE_PEERS),
    Flag.DRAINS_FAST: (Flag.COLD_RISK, Flag.UNLIKE_PEERS),
    Flag.WAKES_OFTEN: (Flag.DRAINS_FAST, Flag.UNLIKE_PEERS),
}
"""A flag, and those that it explains when both stand on one node; earlier ones go first."""


def under_their_root(flags: pd.DataFrame) -> pd.DataFrame:
    """The same FLAG frame with `under` filled in, strongest first; what is explained comes after its root."""
    flags = flags.reset_index(drop=True)
    words, under = flags["flag"].to_numpy(object), np.array([""] * len(flags), dtype=object)
    strength = flags["strength"].to_numpy(float)
    for place in flags.groupby("node_id").indices.values():
        _under_roots(words, under, strength, np.asarray(place))
    flags = flags.assign(under=under)
    order = flags.assign(_below=flags["under"] != "").sort_values(["_below", "strength"], ascending=[True, False])
    return order.drop(columns="_below").reset_index(drop=True)


def _under_roots(words: ObjectArray, under: ObjectArray, strength: FloatArray, place: IntArray) -> None:
    """Write into `under` what explains each of one node's flags."""
    standing = {str(words[row]): row for row in place.tolist()}
    for root, explained in EXPLAINS.items():
        if str(root) not in standing or under[standing[str(root)]]:
            continue
        for flag in explained:
            row = standing.get(str(flag))
            if row is not None and not under[row]:
                under[row] = str(root)
    apart = standing.get(str(Flag.UNLIKE_PEERS))
    others = [row for row in place.tolist() if row != apart and not under[row]]
    if apart is not None and not under[apart] and others:  # never stands for itself
        under[apart] = str(words[max(others, key=lambda row: strength[row])])


def within_budget(flags: pd.DataFrame, *, as_of_s: float, expected_false_per_week: float) -> pd.DataFrame:
    """The flags whose new ones are expected to hold no more false alarms a week than the budget; weak ones go first.

    Notes
    -----
    A flag of strength s is a false alarm with the odds 1 - s. Flags that began in the last week add up; those at or
    above 0.8 always stay, those under 0.25 never do.
    """
    top = flags["under"] == ""
    fresh = top & (flags["since"] > as_of_s - D_PER_WEEK * S_PER_D)
    doubt = (1.0 - flags["strength"]).where(fresh, 0.0)
    order = flags["strength"].sort_values(ascending=False, kind="stable").index
    spent = doubt.loc[order].cumsum().reindex(flags.index)
    keep = (flags["strength"] >= SURE_STRENGTH) | ~fresh | (spent <= expected_false_per_week)
    keep = ~top | (keep & (flags["strength"] >= LEAST_STRENGTH))
    gone = flags.loc[~keep, ["node_id", "flag"]]
    left = flags[keep].copy()
    roots = left["node_id"].astype(str) + left["under"]
    left.loc[roots.isin(gone["node_id"].astype(str) + gone["flag"]), "under"] = ""
    return left.reset_index(drop=True)


def expected_false_count(flags: pd.DataFrame) -> float:
    """How many of these flags are expected to be false alarms: those at the top, each with the odds 1 - strength.

    >>> expected_false_count(pd.DataFrame({"strength": [0.9, 0.5], "under": ["", "sleep_leak"]}))
    0.1
    """
    return round(float((1.0 - flags.loc[flags["under"] == "", "strength"]).sum()), 6)
