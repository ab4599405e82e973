"""Releases as they would go: Poisson wakes of every node, looked at every two hours, group after group."""

from __future__ import annotations

import numpy as np

from fleet.orders_release import Candidate, Verdict, Watched, judge, stages
from fleet.words import OrderState

LOOK_S = 7200.0
DAY_S = 86_400.0


def halted_in(dice: np.random.Generator, *, fleet: int, ordered: int, wakes_per_d: float, factor: float) -> int:
    """The group in which a release is halted, from 0; −1 if it runs to its end."""
    nodes = [Candidate(node=f"n{number}") for number in range(ordered)]
    for at, group in enumerate(stages(nodes, fleet_count=fleet)):
        rates = wakes_per_d * np.exp(dice.normal(0, 0.05, len(group)))  # what was expected is never quite right
        counts, spent_s = np.zeros(len(group)), 0.0
        while True:
            spent_s += LOOK_S
            counts += dice.poisson(rates * factor * LOOK_S / DAY_S)
            watched = [
                Watched(
                    node=name,
                    state=OrderState.ON_TRIAL,
                    trial_s=spent_s,
                    records_count=int(count),
                    wakes_count=float(count),
                    expected_wakes_count=wakes_per_d * spent_s / DAY_S,
                )
                for name, count in zip(group, counts, strict=True)
            ]
            verdict = judge(watched).verdict
            if verdict is Verdict.HALT:
                return at
            if verdict is Verdict.GO_ON:
                break
    return -1
