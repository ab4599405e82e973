"""A release in stages: who goes first, when the next group may follow, and what stops it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum

import msgspec

from fleet.words import OrderState

STAGE_SHARES = (0.0, 0.05, 0.25, 1.0)
"""Share of the release reached by the end of each group; the first is one node."""
ON_TRIAL_AT_MOST = 0.10
WATCH_S = 86_400.0
RECORDS_EACH = 3
WORSE_RATIO = 2.0
ALPHA = 0.001
"""For one group: a release has some ten of them, and all together may halt falsely once in a hundred."""
BETA = 0.05
QUIET_INTERVALS = 2.0


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """A node of a release; `pair` names the node that must not be on trial at the same time."""

    node: str
    days_left_p10: float | None = None
    tries_mean: float | None = None
    pair: str | None = None


class Watched(msgspec.Struct, frozen=True, kw_only=True):
    """What one node of the group has shown since it runs the order. Counts, seconds, mAh/day."""

    node: str
    state: OrderState
    trial_s: float
    records_count: int
    wakes_count: float
    expected_wakes_count: float
    resets_count: int = 0
    silent_s: float = 0.0
    interval_s: float = 3600.0
    drain_low: float | None = None
    drain_promised_high: float | None = None
    missed_alarm: bool = False


class Verdict(StrEnum):
    """What a release does next."""

    WAIT = "wait"
    GO_ON = "go_on"
    HALT = "halt"


class Judged(msgspec.Struct, frozen=True):
    """The verdict on a group, with its reason."""

    verdict: Verdict
    why: str


def trial_limit(fleet_count: int) -> int:
    """How many nodes may be on trial at once, over all releases together: a tenth of the fleet, at least one.

    >>> trial_limit(200), trial_limit(5)
    (20, 1)
    """
    return max(1, int(ON_TRIAL_AT_MOST * fleet_count))


def stages(candidates: Sequence[Candidate], *, fleet_count: int) -> list[list[str]]:
    """Groups of a release, in order: one node, then 5 %, 25 %, the rest.

    Best battery and link first; no group holds both of a pair; none is larger than a tenth of the fleet (at least one).
    """
    order = sorted(candidates, key=_goodness)
    limit = trial_limit(fleet_count)
    pairs = {frozenset((one.node, one.pair)) for one in order if one.pair}
    groups: list[list[str]] = []
    taken = 0
    for share in STAGE_SHARES:
        until = max(1, math.ceil(share * len(order))) if len(order) else 0
        while taken < until:
            group: list[str] = []
            room = min(limit, until - taken)
            for one in [one for one in order if one.node not in _flat(groups)]:
                if len(group) < room and not any(frozenset((one.node, other)) in pairs for other in group):
                    group.append(one.node)
            groups.append(group)
            taken += len(group)
    return groups


def judge(group: Sequence[Watched], *, control_ratio: float = 1.0) -> Judged:
    """Whether a group may be kept and the next one follow.

    Parameters
    ----------
    control_ratio
        Wakes of the unordered nodes of the same site on the same days, divided by what was expected of them: a storm
        wakes them too.

    Notes
    -----
    Wald's sequential test on pooled wakes, Poisson rate twice the expected against as expected, α 0.001 a group, β 0.05
    (A. Wald, Annals of Mathematical Statistics 16, 1945, 117-186). A rise of less than about 1.5 passes it, which is
    why the drain is looked at beside it.
    """
    stop = _at_once(group)
    if stop:
        return Judged(Verdict.HALT, stop)
    wakes = sum(one.wakes_count for one in group)
    expected = sum(one.expected_wakes_count for one in group) * max(control_ratio, 1e-9)
    decision = sequential_test(wakes, expected)
    if decision > 0:
        return Judged(Verdict.HALT, f"{wakes:.0f} wakes where {expected:.1f} were expected")
    waiting = [one.node for one in group if one.records_count < RECORDS_EACH or one.trial_s < WATCH_S]
    if decision == 0 or waiting:
        open_nodes = f"{len(waiting)} nodes have not been watched long enough" if waiting else "the test is undecided"
        return Judged(Verdict.WAIT, open_nodes)
    return Judged(Verdict.GO_ON, f"{wakes:.0f} wakes where {expected:.1f} were expected")


def sequential_test(wakes: float, expected: float, *, ratio: float = WORSE_RATIO) -> int:
    """+1 if the rate is `ratio` times the expected, −1 if it is as expected, 0 while undecided.

    >>> sequential_test(22, 8.0), sequential_test(4, 8.0), sequential_test(1, 0.5)
    (1, -1, 0)
    """
    evidence = wakes * math.log(ratio) - (ratio - 1.0) * expected
    if evidence >= math.log((1 - BETA) / ALPHA):
        return 1
    return -1 if evidence <= math.log(BETA / (1 - ALPHA)) else 0


def _at_once(group: Sequence[Watched]) -> str:
    for one in group:
        if one.resets_count:
            return f"{one.node} browned out or was reset on trial"
        if one.state is OrderState.UNSURE:
            return f"{one.node}: what it runs is not what was sealed"
        if one.state is OrderState.REFUSED:
            return f"{one.node} refused the order"
        if one.state is OrderState.PUT_BACK:
            return f"{one.node} went back to its former settings by itself"
        if one.silent_s > QUIET_INTERVALS * one.interval_s:
            return f"{one.node} has been silent for {one.silent_s / 3600:.1f} h"
        if one.missed_alarm:
            return f"{one.node} missed a crossing that a neighbour saw"
        if (
            one.drain_low is not None
            and one.drain_promised_high is not None
            and one.drain_low > one.drain_promised_high
        ):
            promised = f"at most {one.drain_promised_high:.2g} was promised"
            return f"{one.node} drains at least {one.drain_low:.2g} mAh a day; {promised}"
    return ""


def _goodness(one: Candidate) -> tuple[float, float, str]:
    life = -(one.days_left_p10 if one.days_left_p10 is not None else -1.0)
    return (life, one.tries_mean if one.tries_mean is not None else 99.0, one.node)


def _flat(groups: list[list[str]]) -> set[str]:
    return {node for group in groups for node in group}
