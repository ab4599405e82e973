"""Recall, delay, precision and false alarms of the flags on fleets with seeded faults, judged week by week.

Run: PYTHONPATH=. python tests/bench/flag_error.py [nodes] [days] [seed] [--quick]
`--quick` leaves the batteries out (no leak, weak cell, swap).
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from fleet.daily.rollup import roll_up
from fleet.estimates.fleet import Estimates, estimate_fleet
from fleet.flags.fleet import flag_fleet
from fleet.frames import CHARGE, DAY, ESTIMATE, OUTLOOK, RECORD, SETTING, empty_frame
from fleet.profiles.chemistry import load_chemistry
from tests.bench.flag_fleet import FIRST_DAY, FLAG_OF, Made, make_fleet

S_PER_D = 86_400.0
LATE_D = {"wakes_often": 7.0, "edge_chatter": 7.0, "crash_loop": 7.0}
ALSO_RIGHT = {
    "brownouts": ("cold_risk", "weak_cell", "drains_fast"),
    "sleep_leak": ("drains_fast", "cold_risk", "brownouts"),
    "weak_cell": ("drains_fast", "cold_risk", "brownouts"),
    "edge_chatter": ("wakes_often", "drains_fast"),
    "crash_loop": ("wakes_often",),
    "radio_struggle": ("records_missing", "drains_fast"),
    "stuck_reading": ("unlike_peers",),
    "ids_crossed": ("wakes_often", "clock_wrong", "swap_seen", "unlike_peers", "edge_chatter"),
    "wakes_often": ("unlike_peers", "drains_fast"),
    "low_cell": ("cold_risk", "gone_quiet", "brownouts"),
    "clock_never": ("clock_wrong",),
}
"""Flags that are not false on a node with this fault, though another one is asked for."""


def days_of(made: Made) -> pd.DataFrame:
    """DAY frame of all records."""
    settings = {name: made.settings[name].to_numpy() for name in SETTING}
    return pd.DataFrame(roll_up({name: made.records[name] for name in RECORD}, settings))[list(DAY)]


def without_batteries(made: Made, as_of_s: float) -> Estimates:
    """Estimates that only know when a node was heard last."""
    frame = pd.DataFrame({name: np.full(len(made.nodes), np.nan) for name in ESTIMATE})
    arrived = pd.Series(made.records["arrived"])
    here = arrived <= as_of_s
    last = arrived[here].groupby(made.records["node_id"][here]).max()
    ids = made.nodes["node_id"].to_numpy()
    frame = frame.assign(node_id=ids, last_heard=last.reindex(ids).to_numpy())
    swaps = pd.DataFrame(
        {"node_id": pd.Series(dtype="int32"), "at": pd.Series(dtype=float), "told": pd.Series(dtype=bool)}
    )
    return Estimates(frame, empty_frame(CHARGE), empty_frame(OUTLOOK), swaps)


def weekly_flags(made: Made, days: pd.DataFrame, *, quick: bool, every_d: int = 7) -> pd.DataFrame:
    """FLAG rows of every weekly moment, with `at_d`, the moment in days since 1970."""
    chemistries = {name: load_chemistry(name) for name in made.profiles}
    parts = []
    for at_d in range(FIRST_DAY + 35, FIRST_DAY + made.days + 1, every_d):
        as_of_at = datetime.fromtimestamp(at_d * S_PER_D, UTC)
        known = days[days["day"] < at_d]
        given: Mapping[str, object] = {"settings": made.settings, "as_of_at": as_of_at}
        estimates = (
            without_batteries(made, at_d * S_PER_D)
            if quick
            else estimate_fleet(known, made.nodes, made.profiles, made.events, since_at=None,
                                chemistries=chemistries, draws=128, **given)  # type: ignore[arg-type]
        )  # fmt: skip
        found = flag_fleet(
            known,
            estimates,
            made.nodes,
            made.profiles,
            made.events,
            orders=pd.DataFrame(),
            expected_false_per_week=1.0,
            **given,
        )  # type: ignore[arg-type]
        parts.append(found.assign(at_d=at_d))
    return pd.concat(parts, ignore_index=True)


def judged(flags: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """The flags at the top, with `right`: True for a real fault, NA where it is not asked for."""
    tops = flags[flags["under"] == ""].copy()
    by_node = dict(iter(truth.groupby("node_id")))
    right = []
    for node, flag, at_d in zip(tops["node_id"], tops["flag"], tops["at_d"], strict=True):
        faults = by_node.get(node)
        acting = faults[faults["onset"] <= at_d] if faults is not None else truth.iloc[:0]
        wanted = {FLAG_OF.get(kind, kind) for kind in acting["kind"]}
        near = {other for kind in acting["kind"] for other in ALSO_RIGHT.get(kind, ())}
        right.append(True if flag in wanted else (pd.NA if flag in near else False))
    return tops.assign(right=pd.array(right, dtype="boolean"))


def by_kind(flags: pd.DataFrame, truth: pd.DataFrame, last_d: float) -> pd.DataFrame:
    """Recall in time, median delay and error of `since` by kind of fault."""
    rows = []
    for kind, faults in truth[~truth["kind"].isin(["low_cell", "clock_never"])].groupby("kind"):
        flag, late_d = FLAG_OF.get(kind, kind), LATE_D.get(kind, 14.0)
        hits, delays, since_error, asked = 0, [], [], 0
        for node, onset in zip(faults["node_id"], faults["onset"], strict=True):
            moments = flags["at_d"].unique()
            # The first weekly moment at or after the limit: a flag must stand by then.
            due = moments[moments >= onset + late_d]
            if not len(due):
                continue
            asked += 1
            own = flags[(flags["node_id"] == node) & (flags["flag"] == flag) & (flags["at_d"] > onset)]
            in_time = own[own["at_d"] <= due[0]]
            hits += len(in_time) > 0
            if len(own):
                delays.append(own["at_d"].min() - onset)
                since_error.append(own.sort_values("at_d")["since"].iloc[min(2, len(own) - 1)] / S_PER_D - onset)
        rows.append((kind, asked, hits / max(asked, 1), np.median(delays) if delays else np.nan,
                     np.median(np.abs(since_error)) if since_error else np.nan))  # fmt: skip
    return pd.DataFrame(rows, columns=["kind", "n", "recall", "delay_d", "since_off_d"])


def false_alarms(tops: pd.DataFrame) -> pd.DataFrame:
    """Top flags that are wrong and did not stand the week before, by flag."""
    wrong = tops[tops["right"].eq(False).fillna(False)]
    before = set(zip(wrong["node_id"], wrong["flag"], wrong["at_d"] + 7, strict=True))
    new = [key not in before for key in zip(wrong["node_id"], wrong["flag"], wrong["at_d"], strict=True)]
    return wrong[np.array(new, dtype=bool)]


def summary(flags: pd.DataFrame, made: Made) -> None:
    """Print the tables."""
    tops = judged(flags, made.truth)
    wrong = false_alarms(tops)
    faulty = made.truth[~made.truth["kind"].isin(["low_cell", "clock_never"])]
    healthy = len(made.nodes) - faulty["node_id"].nunique()
    weeks = flags["at_d"].nunique()
    right, false = int(tops["right"].eq(True).sum()), int(tops["right"].eq(False).sum())
    print(by_kind(flags, made.truth, FIRST_DAY + made.days).round(2).to_string(index=False))
    print(f"precision of weekly top lines {right / max(right + false, 1):.3f} ({right} right, {false} wrong)")
    print(
        f"new false alarms {len(wrong)} in {healthy * weeks} healthy node-weeks: "
        f"{1000 * len(wrong) / healthy / weeks:.2f} per 1,000"
    )
    print(wrong["flag"].value_counts().to_string())
    told = tops[tops["right"].notna()].copy()
    told["bin"] = pd.cut(told["strength"], [0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0])
    print(told.groupby("bin", observed=True)["right"].agg(["size", "mean"]).round(2).to_string())


def main() -> None:
    """Make, flag, score, print."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    n_nodes, days, seed = (*numbers, *(300, 200, 1)[len(numbers) :])
    made = make_fleet(n_nodes, days, seed)
    summary(weekly_flags(made, days_of(made), quick="--quick" in sys.argv), made)


if __name__ == "__main__":
    main()
