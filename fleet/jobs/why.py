"""One node's story in plain text: what it did, what it cost, what changed when, what fits and what was ruled out."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from fleet.errors import StoreError
from fleet.jobs.deployment import Deployment
from fleet.store.days import read_days
from fleet.store.engine import Store
from fleet.store.findings import read_results
from fleet.store.results import rows_of
from fleet.units import S_PER_D
from fleet.words import FLAG_SENTENCE, Flag

WIDTH = 96
RULED_OUT: Mapping[Flag, tuple[str, str]] = {
    Flag.EDGE_CHATTER: ("a threshold inside the noise", "few band wakes lie at the edge or follow one another closely"),
    Flag.SLEEP_LEAK: ("a leak", "the sleep floor is not above that of its kind"),
    Flag.RADIO_STRUGGLE: ("a bad link", "radio time and failed attempts are as usual"),
    Flag.CRASH_LOOP: ("firmware that restarts", "no run of crashes or watchdog resets"),
    Flag.WEAK_CELL: ("a weak cell", "the battery holds about what was fitted"),
    Flag.BROWNOUTS: ("a collapsing supply", "no brown-outs in two weeks"),
}


def why_text(store: Store, deployment: Deployment, node: str, *, now_at: datetime) -> str:
    """The page of text.

    Raises
    ------
    StoreError
        If nothing is known of such a node.
    """
    results = {one["node"]: one for one in read_results(store)}
    if node not in results:
        raise StoreError(f"{node}: no result for such a node. Run `wakeledger analyse`, or see `wakeledger nodes`.")
    one = results[node]
    node_id = int(deployment.nodes.loc[deployment.nodes["node"] == node, "node_id"].iloc[0])
    days = read_days(store, node_ids=[node_id])
    parts = [
        f"{node} at {one['site']}, {one['profile']}, {one['chemistry']}; judged as of {one['as_of']}",
        _did(one),
        _cost(one),
        _left(one),
        _changed(days, deployment.events[deployment.events["node_id"] == node_id]),
        _explained(one),
    ]
    return "\n\n".join("\n".join(textwrap.wrap(line, WIDTH)) if "\n" not in line else line for line in parts if line)


def _number(value: float | None, form: str = "{:.3g}") -> str:
    return "not known" if value is None else form.format(value)


def _did(one: Mapping[str, Any]) -> str:
    causes = sorted((one.get("wakes_by_cause") or {}).items(), key=lambda pair: -(pair[1] or 0))
    named = ", ".join(f"{count:.0f} {cause}" for cause, count in causes if count)
    return (
        f"It woke {_number(one['wakes_per_day'])} times a day ({named or 'causes not known'}); "
        f"{_number(one['wakes_seen'], '{:.0f}')} of {_number(one['wakes'], '{:.0f}')} wakes have a record."
    )


def _cost(one: Mapping[str, Any]) -> str:
    parts = sorted((one.get("drain_parts") or {}).items(), key=lambda pair: -(pair[1] or 0))
    named = ", ".join(f"{name} {value:.2g}" for name, value in parts if value)
    return (
        f"That cost {_number(one['drain_mah_per_day'])} mAh a day "
        f"({_number(one['drain_mah_per_day_lo'])} to {_number(one['drain_mah_per_day_hi'])}): {named}."
    )


def _left(one: Mapping[str, Any]) -> str:
    if one["days_left_p50"] is None:
        return f"Life left is not known: {(one.get('why_null') or {}).get('days_left_p50', 'no reason kept')}"
    return (
        f"Charge left {_number(one['charge_left'], '{:.0%}')}; days left {one['days_left_p50']:.0f}, "
        f"eight chances in ten between {one['days_left_p10']:.0f} and {one['days_left_p90']:.0f}."
    )


def _changed(days: pd.DataFrame, events: pd.DataFrame) -> str:
    lines = [
        (float(at), f"{what}{': ' + note if note else ''}")
        for at, what, note in events[["at", "what", "note"]].to_numpy()
    ]
    lines += [(row["day"] * S_PER_D, "other settings in force") for row in rows_of(days) if row["set_changes"] > 0]
    lines += [(row["day"] * S_PER_D, f"{row['boots']:.0f} cold starts") for row in rows_of(days) if row["boots"] > 2]
    wakes = days.set_index("day")["seen"]
    for day in wakes.index[7:]:
        before = wakes.loc[day - 7 : day - 1]
        if len(before) >= 5 and wakes[day] > 3 * max(np.median(before), 4):
            lines.append((day * S_PER_D, f"{wakes[day]:.0f} wakes, {np.median(before):.0f} a day in the week before"))
    dated = [f"  {datetime.fromtimestamp(at, UTC):%Y-%m-%d}  {text}" for at, text in sorted(lines)[-20:]]
    return "\n".join(["What changed:", *dated]) if dated else "Nothing known changed."


def _explained(one: Mapping[str, Any]) -> str:
    standing = {Flag(flag["flag"]): flag for flag in one.get("flags") or []}
    lines = ["What fits:"] if standing else ["Nothing is wrong that the rules can see."]
    for flag, found in standing.items():
        lines.append(f"  {flag}: {FLAG_SENTENCE[flag]} (strength {found['strength']:.2f}); {found['evidence']}")
    out = [f"  not {name}: {reason}" for flag, (name, reason) in RULED_OUT.items() if flag not in standing]
    return "\n".join([*lines, "Ruled out:", *out])
