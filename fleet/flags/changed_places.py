"""A battery that was changed untold (`swap_seen`), and nodes that changed places (`ids_crossed`)."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray
from fleet.units import S_PER_D
from fleet.words import Flag

SHOWN_D = 28
SEQ_NEAR = 500


def swap_seen(view: FleetView) -> Verdicts:
    """True where the estimates found a swap in the last four weeks that nobody told."""
    untold = view.swaps[~view.swaps["told"].astype(bool) & (view.swaps["at"] > view.as_of_s - SHOWN_D * S_PER_D)]
    latest = untold.groupby("node_id")["at"].max().reindex(view.node_ids).to_numpy(float)
    hit = np.isfinite(latest)

    def say(index: int) -> str:
        return "its voltage rose as only another battery explains; tell it with `wakeledger swap`, or undo it."

    return verdicts(
        Flag.SWAP_SEEN,
        hit,
        np.ones(len(hit), dtype=bool),
        since_d=np.nan_to_num(latest / S_PER_D),
        strength=np.where(hit, 0.9, 0.0),
        say=say,
        part="log of visits",
        window_d=3.0,
    )


def ids_crossed(view: FleetView) -> Verdicts:
    """True where two nodes' counters go on in each other's records from the same day on."""
    n, days = view.shape
    partner = np.full(n, -1)
    since = np.zeros(n)
    boot, seq = view["last_boot"], view["last_seq"]
    first_boot, first_seq = view["first_boot"], view["first_seq"]
    for day in range(1, days):
        broke = (
            np.isfinite(boot[:, day])
            & np.isfinite(boot[:, day - 1])
            & ~_goes_on(boot[:, day - 1], seq[:, day - 1], first_boot[:, day], first_seq[:, day])
        )
        odd = np.flatnonzero(broke).tolist()
        for left in odd:
            for right in [one for one in odd if one > left]:
                if _swapped(left, right, day, boot, seq, first_boot, first_seq):
                    partner[[left, right]] = right, left
                    since[[left, right]] = view.first_day + day
    names = view.nodes["node"].to_numpy()

    def say(index: int) -> str:
        other = names[partner[index]]
        return f"its counters go on in the records of {other}, and those of {other} in its own."

    return verdicts(
        Flag.IDS_CROSSED,
        partner >= 0,
        view.heard,
        since_d=since,
        strength=np.where(partner >= 0, 0.97, 0.0),
        say=say,
        part="node ids and labels",
    )


def _goes_on(boot: FloatArray, seq: FloatArray, next_boot: FloatArray, next_seq: FloatArray) -> BoolArray:
    """Whether the later counters can follow the earlier ones: the same boot and a little on, or the next few boots."""
    same = (next_boot == boot) & (next_seq >= seq) & (next_seq <= seq + SEQ_NEAR)
    return np.asarray(same | ((next_boot > boot) & (next_boot <= boot + 50) & (next_seq <= SEQ_NEAR)))


def _swapped(left: int, right: int, day: int, *counters: FloatArray) -> bool:
    boot, seq, first_boot, first_seq = counters
    here = _goes_on(boot[left, day - 1], seq[left, day - 1], first_boot[right, day], first_seq[right, day])
    there = _goes_on(boot[right, day - 1], seq[right, day - 1], first_boot[left, day], first_seq[left, day])
    return bool(here and there)
