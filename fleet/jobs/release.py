"""Orders on their way: a release sealed stage by stage, moved by what records prove, halted or kept."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
import pandas as pd

from fleet.errors import LimitError, OrderError
from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import NAMES, Known, breaches_of, drafts, known_of, named, open_nodes, pair_of, released_drafts
from fleet.messages import BandSettings
from fleet.orders import Order
from fleet.orders_limits import overridden
from fleet.orders_release import Candidate, stages, trial_limit
from fleet.orders_seal import Seal, sealed
from fleet.settings import Settings
from fleet.store.audit import Audited
from fleet.store.engine import Store
from fleet.store.keys import OrderKey, read_keys
from fleet.store.orders import add_release, highest_rev, move_order, read_orders, read_releases
from fleet.store.results import rows_of
from fleet.wire import topic_of
from fleet.words import OrderState

RUNNING, HELD, DONE = "running", "held", "done"
TRIAL_D = 2.5


@dataclass(frozen=True)
class Override:
    """A limit overridden: why, by whom, and the second person who agreed."""

    reason: str
    by: str
    second: str


def begin_release(
    store: Store,
    deployment: Deployment,
    settings: Settings,
    *,
    who: str,
    now_at: datetime,
    override: Override | None = None,
) -> int:
    """Put the drafts into groups and seal the first; the number of the release.

    Raises
    ------
    LimitError
        If a limit forbids a draft and nobody overrode it.
    OrderError
        If there is no draft, or a node has an order open already.
    """
    waiting = drafts(store, deployment)
    if not len(waiting):
        raise OrderError("retune: no drafts. Make some with `wakeledger retune draft` or `wakeledger advise --draft`.")
    busy = sorted(set(waiting.loc[waiting["node_id"].isin(list(open_nodes(store))), "node"]))
    if busy:
        raise OrderError(f"{busy[0]}: has an order open; one at a time. Wait for it, or `wakeledger retune hold` it.")
    known = known_of(store, deployment, settings, now_at)
    found = {str(row["node"]): breaches_of(known, deployment, settings, row) for row in rows_of(waiting)}
    broken = [one for breached in found.values() for one in breached]
    if broken and override is None:
        raise LimitError(f"{broken[0].text}. Change the draft, or override with --override REASON --second NAME.")
    if broken and len(waiting) > 1:
        raise LimitError(f"{broken[0].text}. A limit is overridden for one node at a time; draft it alone.")
    note = _override_note(broken, override, now_at)
    crowded = no_room(store, deployment, [])
    if crowded:
        raise OrderError(f"retune: {crowded}. Wait until they are kept or have gone back, then send again.")
    groups = stages(_candidates(known, rows_of(waiting)), fleet_count=fleet_count(deployment))
    number = add_release(
        store,
        {"state": RUNNING, "stage": 0, "stage_at": now_at.timestamp(), "made_by": who, "made_at": now_at.timestamp()},
    )
    for stage, group in enumerate(groups):
        for row in rows_of(waiting[waiting["node"].isin(group)]):
            values = {"release_id": number, "stage": stage, "override_reason": note}
            values["override_by"] = override.second if override and note else None
            move_order(store, int(row["order_id"]), was=OrderState.DRAFTED, values=values)
    seal_group(store, deployment, settings, number, 0, who=who, now_at=now_at)
    return number


def _override_note(broken: Sequence[Any], override: Override | None, now_at: datetime) -> str | None:
    if not broken or override is None:
        return None
    return overridden(list(broken), reason=override.reason, by=override.by, second=override.second, now_at=now_at)


def _candidates(known: Known, rows: Sequence[Mapping[str, Any]]) -> list[Candidate]:
    made = []
    for row in rows:
        p10 = known.estimates.get(int(row["node_id"]), {}).get("days_left_p10")
        left = None if p10 is None or pd.isna(p10) else float(p10)
        tries = known.tries_mean.get(int(row["node_id"]))
        made.append(Candidate(node=str(row["node"]), days_left_p10=left, tries_mean=tries, pair=pair_of(row)))
    return made


def fleet_count(deployment: Deployment) -> int:
    """Nodes that are in use."""
    return int((~deployment.nodes["retired"].astype(bool)).sum())


def no_room(store: Store, deployment: Deployment, group: Sequence[Mapping[str, Any]]) -> str:
    """Why no more nodes may go on trial now, over all releases together; empty if they may."""
    busy = named(read_orders(store, states=[OrderState.SEALED, OrderState.POSTED, OrderState.ON_TRIAL]), deployment)
    rows = rows_of(busy[busy["kind"] == "settings"])
    limit = trial_limit(fleet_count(deployment))
    if len(rows) + max(len(group), 1) > limit:
        return f"{len(rows)} nodes have an order on its way or on trial; {limit} may at once"
    for row, other in [(row, other) for row in group for other in rows]:
        if other["node"] == pair_of(row) or pair_of(other) == row["node"]:
            return f"{row['node']} is never to be on trial with {other['node']}, which is"
    return ""


def seal_group(
    store: Store, deployment: Deployment, settings: Settings, release_id: int, stage: int, *, who: str, now_at: datetime
) -> list[str]:
    """Seal the drafts of one group: number, bytes and audit row in one transaction each; the names sealed."""
    known = known_of(store, deployment, settings, now_at)
    keys = read_keys(settings.keys_dir)
    rows = released_drafts(store, deployment, release_id)
    rows = rows[rows["stage"] == stage]
    names = []
    for row in rows_of(rows):
        seal_one(store, deployment, settings, known=known, keys=keys, row=row, who=who, now_at=now_at)
        names.append(str(row["node"]))
    return names


def seal_one(
    store: Store,
    deployment: Deployment,
    settings: Settings,
    *,
    known: Known,
    keys: Mapping[str, OrderKey],
    row: Mapping[str, Any],
    who: str,
    now_at: datetime,
) -> None:
    """Seal one draft."""
    node = str(row["node"])
    rev = highest_rev(store, int(row["node_id"])) + 1
    promised = predicted_wakes_per_d(row)
    form = form_of(deployment, settings, known, keys, node, rev=rev, now_at=now_at, wakes_per_d=promised)
    done, frame = sealed(order_of(row), form)
    values = {
        "state": str(done.state), "state_at": done.state_at, "rev": done.rev, "word": done.word, "issued": done.issued,
        "until": done.until, "until_wake": done.until_wake, "digest": done.digest, "topic": form.topic, "sealed": frame,
        "trial_wakes": form.trial_wakes,
    }  # fmt: skip
    body = {"node": node, "rev": done.rev, "digest": done.digest, "set": msgspec.to_builtins(done.settings)}
    told = Audited(now_at.timestamp(), who, "seal", body)
    if not move_order(store, int(row["order_id"]), was=OrderState.DRAFTED, values=values, audited=told):
        raise OrderError(f"{node}: its draft was taken by another process. Look at `wakeledger retune list`.")


def preview(
    store: Store, deployment: Deployment, settings: Settings, *, now_at: datetime
) -> list[tuple[str, bytes, list[str]]]:
    """Topic, bytes and broken limits of every draft, as they would leave now; nothing is written."""
    known, keys = known_of(store, deployment, settings, now_at), read_keys(settings.keys_dir)
    shown = []
    for row in rows_of(drafts(store, deployment)):
        rev = highest_rev(store, int(row["node_id"])) + 1
        form = form_of(deployment, settings, known, keys, str(row["node"]), rev=rev, now_at=now_at)
        broken = [one.text for one in breaches_of(known, deployment, settings, row)]
        shown.append((form.topic, sealed(order_of(row), form)[1], broken))
    return shown


def form_of(
    deployment: Deployment,
    settings: Settings,
    known: Known,
    keys: Mapping[str, OrderKey],
    node: str,
    *,
    rev: int,
    now_at: datetime,
    wakes_per_d: float | None = None,
) -> Seal:
    """What sealing needs for one node.

    Raises
    ------
    OrderError
        If its set-up asks for signed orders and there is no key.
    """
    rules = deployment.profiles[str(known.nodes[node]["profile"])].orders
    key = keys.get(node)
    if rules.signed and key is None:
        raise OrderError(f"{node}: no key in {settings.keys_dir}. Make one with `wakeledger keys make {node}`.")
    told = known.latest.get(node, {})
    wakes = told.get("life_wakes")
    per_d = usual_wakes_per_d(known, int(known.nodes[node]["node_id"]))
    return Seal(
        topic=topic_of(settings.broker.root, node, "retune"),
        rev=rev,
        now=now_at.timestamp(),
        valid_d=settings.orders.valid_d,
        trial_wakes=_trial_wakes(settings, per_d if wakes_per_d is None else wakes_per_d) if rules.trial else None,
        key=key.key if rules.signed and key else None,
        key_id=key.key_id if key else b"",
        word=str(told.get("word") or ""),
        life_wakes=None if wakes is None or pd.isna(wakes) else int(wakes),
        wakes_per_d=per_d,
    )


def usual_wakes_per_d(known: Known, node_id: int) -> float | None:
    """What its estimate says, else its records a day; None for a node never heard."""
    value = known.estimates.get(node_id, {}).get("wakes_per_day")
    seen, span_d = known.days.get(node_id, (0.0, 0))
    if value is None or pd.isna(value):
        return seen / span_d if span_d else None
    return float(value)


def _trial_wakes(settings: Settings, wakes_per_d: float | None) -> int:
    """Wakes of a trial: never fewer than a watch of two and a half days needs, or the node falls back too soon."""
    return max(settings.orders.trial_wakes, int(TRIAL_D * wakes_per_d) + 2 if wakes_per_d is not None else 0)


def order_of(row: Mapping[str, Any]) -> Order:
    """A stored row as the value that the rules work on."""
    limit = row.get("until_wake")
    return Order(
        node=str(row["node"]),
        state=OrderState(row["state"]),
        state_at=float(row["state_at"]),
        settings=msgspec.convert({name: whole(name, row[name]) for name in NAMES}, BandSettings),
        rev=0 if pd.isna(row["rev"]) else int(row["rev"]),
        word=str(row["word"] or ""),
        issued=0.0 if pd.isna(row["issued"]) else float(row["issued"]),
        until=0.0 if pd.isna(row["until"]) else float(row["until"]),
        until_wake=None if limit is None or pd.isna(limit) else int(limit),
        digest=str(row["digest"] or ""),
    )


def whole(name: str, value: float) -> float | int:
    """A setting as its own kind: a count is whole."""
    return int(value) if name == "avg" else float(value)


def running_releases(store: Store) -> list[dict[str, Any]]:
    """Releases that may still go on."""
    return [one for one in read_releases(store) if one["state"] == RUNNING]


def predicted_wakes_per_d(row: Mapping[str, Any]) -> float | None:
    """What the advice behind an order promised."""
    value = json.loads(row["predicted"]).get("wakes_per_day") if row.get("predicted") else None
    return None if value is None else float(value)
