"""A battery that was changed untold (`swap_seen`), and nodes that changed places (`ids_crossed`)."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray
from fleet.units import S_PER_D
from fleet.words import Flag

SHOWN_D = 90
LEAST_NEAR = 60.0
RATE_TIMES = 3.0
BOOTS_A_DAY = 20
GAPS_D = (1, 2, 3)
ODD_MOST = 60


def swap_seen(view: FleetView) -> Verdicts:
    """True where the estimates found a swap in the last quarter of a year that nobody told."""
    untold = view.swaps[~view.swaps["told"].astype(bool) & (view.swaps["at"] > view.as_of_s - SHOWN_D * S_PER_D)]
    latest = untold.groupby("node_id")["at"].max().reindex(view.node_ids).to_numpy(float)
    hit = np.isfinite(latest)

    def say(index: int) -> str:
        return "its voltage rose as only another battery explains; tell it with `wakeledger swap`, or undo it."

    return verdicts(
        Flag.SWAP_SEEN,
        hit,
        np.asarray((np.isfinite(view["batt_mv"]) | np.isfinite(view["batt_tx_mv"])).any(axis=1)),
        since_d=np.nan_to_num(latest / S_PER_D),
        strength=np.where(hit, 0.85, 0.0),
        say=say,
        part="log of visits",
        window_d=2.0,
    )


def ids_crossed(view: FleetView) -> Verdicts:
    """True where two nodes' counters go on in each other's records from the same day on.

    Notes
    -----
    The day of the change may hold records of both, so the day before is compared with one to three days on. Nodes
    whose counters could both be each other's and their own are left alone.
    """
    n, days = view.shape
    partner = np.full(n, -1)
    since = np.zeros(n)
    daily = np.fmax(np.nan_to_num(np.nanmedian(np.where(np.isfinite(view.wakes), view.wakes, 0.0), axis=1)), 1.0)
    for gap in GAPS_D:
        reach = np.maximum(LEAST_NEAR, RATE_TIMES * daily * (gap + 1))
        for day in range(gap, days):
            if not np.isfinite(view["last_boot"][:, day - gap]).any():
                continue
            for left, right in _crossed_pairs(view, day - gap, day, reach):
                partner[[left, right]] = right, left
                since[[left, right]] = view.first_day + day - (gap - 1)
    names = view.nodes["node"].to_numpy()

    def say(index: int) -> str:
        other = names[partner[index]]
        return f"its counters go on in the records of {other}, and those of {other} in its own."

    return verdicts(
        Flag.IDS_CROSSED,
        partner >= 0,
        view.heard,
        since_d=since,
        strength=np.where(partner >= 0, 0.95, 0.0),
        say=say,
        part="node ids and labels",
    )


def _crossed_pairs(view: FleetView, before: int, after: int, reach: FloatArray) -> list[tuple[int, int]]:
    """Pairs whose counters before go on in the other's after, and not in their own."""
    boot, seq = view["last_boot"][:, before], view["last_seq"][:, before]
    next_boot, next_seq = view["first_boot"][:, after], view["first_seq"][:, after]
    known = np.isfinite(boot) & np.isfinite(next_boot)
    broken = known & ~_goes_on(boot, seq, next_boot, next_seq, reach=reach)
    # A cold start hides a change of places: such a node may be the partner of one that is broken for certain.
    odd = np.flatnonzero(broken | (known & (next_boot != boot)))
    if not (2 <= len(odd) <= ODD_MOST and broken.any()):
        return []
    one_boot = boot[odd][:, None] == next_boot[odd][None, :]
    ahead = next_seq[odd][None, :] - seq[odd][:, None]
    here = one_boot & (ahead >= 0) & (ahead <= reach[odd][:, None])
    unique = here.sum(axis=1) == 1
    both = np.triu(here & here.T, 1) & unique[:, None] & unique[None, :]
    both &= broken[odd][:, None] | broken[odd][None, :]
    rows, columns = np.nonzero(both)
    return [(int(odd[left]), int(odd[right])) for left, right in zip(rows, columns, strict=True)]


def _goes_on(
    boot: FloatArray, seq: FloatArray, next_boot: FloatArray, next_seq: FloatArray, *, reach: FloatArray
) -> BoolArray:
    """Whether the later counters can follow the earlier ones: the same boot and a little on, or the next few boots."""
    same = (next_boot == boot) & (next_seq >= seq) & (next_seq <= seq + reach)
    return np.asarray(same | ((next_boot > boot) & (next_boot <= boot + BOOTS_A_DAY) & (next_seq <= reach)))
