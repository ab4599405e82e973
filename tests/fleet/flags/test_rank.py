"""One root cause at the top, and a budget that holds weak flags back."""

from __future__ import annotations

import pandas as pd

from fleet.flags.rank import expected_false_count, under_their_root, within_budget
from fleet.frames import FLAG

AS_OF_S = 1e9


def rows(*flags: tuple[int, str, float]) -> pd.DataFrame:
    frame = pd.DataFrame(flags, columns=["node_id", "flag", "strength"])
    return frame.assign(since=AS_OF_S - 3600, since_lo=0.0, since_hi=0.0, evidence="", part="", under="")[list(FLAG)]


def test_a_leak_lists_what_follows_from_it() -> None:
    told = under_their_root(rows((1, "drains_fast", 0.9), (1, "sleep_leak", 0.8), (1, "cold_risk", 0.7)))
    assert list(told["flag"]) == ["sleep_leak", "drains_fast", "cold_risk"]
    assert list(told["under"]) == ["", "sleep_leak", "sleep_leak"]


def test_flags_of_other_nodes_stay_apart() -> None:
    told = under_their_root(rows((1, "sleep_leak", 0.8), (2, "drains_fast", 0.9)))
    assert list(told["under"]) == ["", ""]


def test_unlike_peers_never_stands_for_itself() -> None:
    told = under_their_root(rows((1, "clock_wrong", 0.9), (1, "unlike_peers", 0.95)))
    assert dict(zip(told["flag"], told["under"], strict=True)) == {"clock_wrong": "", "unlike_peers": "clock_wrong"}


def test_a_smaller_budget_lets_fewer_weak_flags_through() -> None:
    """Doubts 0.4, 0.5 and 0.6 add up to 0.4, 0.9 and 1.5."""
    told = rows((1, "wakes_often", 0.6), (2, "wakes_often", 0.5), (3, "wakes_often", 0.4), (4, "wakes_often", 0.9))
    kept = [
        len(within_budget(told, as_of_s=AS_OF_S, expected_false_per_week=budget)) for budget in (0.0, 0.55, 1.05, 2.0)
    ]
    assert kept == [1, 2, 3, 4]


def test_what_stood_under_a_dropped_flag_stands_for_itself() -> None:
    told = under_their_root(rows((1, "sleep_leak", 0.1), (1, "drains_fast", 0.9)))
    kept = within_budget(told, as_of_s=AS_OF_S, expected_false_per_week=1.0)
    assert list(kept["flag"]) == ["drains_fast"] and list(kept["under"]) == [""]


def test_the_number_of_false_ones_expected_is_the_sum_of_doubts() -> None:
    assert expected_false_count(rows((1, "wakes_often", 0.75), (2, "wakes_often", 0.5))) == 0.75
