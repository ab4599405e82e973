"""One look at everything on its way: what records moved, which group may be kept, what has to stop."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import Known, known_of, named
from fleet.jobs.release import (
    DONE,
    HELD,
    RUNNING,
    form_of,
    observe_all,
    order_of,
    predicted_wakes_per_d,
    running_releases,
    seal_group,
)
from fleet.orders_release import Judged, Verdict, Watched, judge
from fleet.orders_seal import sealed_keep
from fleet.settings import Settings
from fleet.store.audit import Audited
from fleet.store.engine import Store
from fleet.store.keys import read_keys
from fleet.store.orders import add_order, move_order, move_release, read_orders
from fleet.store.reading import read_records
from fleet.store.results import rows_of
from fleet.units import S_PER_D
from fleet.words import Cause, OrderState

ENDED = {OrderState.IN_FORCE, OrderState.LAPSED, OrderState.OVERTAKEN, OrderState.LOST, OrderState.PUT_BACK}
RESETS = (Cause.BROWNOUT, Cause.WATCHDOG)
LIVE = (OrderState.SEALED, OrderState.POSTED, OrderState.ON_TRIAL, OrderState.IN_FORCE, OrderState.UNSURE)
WHO = "release"


def step(store: Store, deployment: Deployment, settings: Settings, *, now_at: datetime) -> list[str]:
    """Move orders, keep or halt groups, seal the next ones; one sentence for each thing done."""
    if not len(read_orders(store, states=LIVE)) and not running_releases(store):
        return []
    known = known_of(store, deployment, settings, now_at)
    done = [
        f"{one.node}: order {one.rev} is {one.state}" for one in observe_all(store, known, deployment, now_at=now_at)
    ]
    for release in running_releases(store):
        done += _step_release(store, deployment, settings, known, release=release, now_at=now_at)
    return done


def _step_release(
    store: Store,
    deployment: Deployment,
    settings: Settings,
    known: Known,
    *,
    release: Mapping[str, Any],
    now_at: datetime,
) -> list[str]:
    number, stage = int(release["release_id"]), int(release["stage"])
    rows = named(read_orders(store, release_id=number), deployment)
    rows = rows[rows["kind"] == "settings"]
    group = rows_of(rows[rows["stage"] == stage])
    verdict = judge_group(store, known, group, now_at=now_at)
    if verdict.verdict is Verdict.HALT:
        hold(store, number, why=verdict.why, who=WHO, now_at=now_at)
        return [f"release {number} is held: {verdict.why}"]
    if verdict.verdict is Verdict.WAIT:
        return []
    kept = [
        keep(store, deployment, settings, known, row, now_at=now_at) for row in group if _is(row, OrderState.ON_TRIAL)
    ]
    if any(kept):
        return [f"release {number}: {sum(kept)} orders of group {stage + 1} are kept: {verdict.why}"]
    if not all(OrderState(row["state"]) in ENDED for row in group):
        return []
    return _next_group(store, deployment, settings, number, rows=rows, stage=stage, now_at=now_at)


def _next_group(
    store: Store,
    deployment: Deployment,
    settings: Settings,
    number: int,
    *,
    rows: pd.DataFrame,
    stage: int,
    now_at: datetime,
) -> list[str]:
    values = {"stage": stage + 1, "stage_at": now_at.timestamp()}
    if stage >= int(rows["stage"].max()):
        move_release(store, number, was=RUNNING, values={"state": DONE, "stage_at": now_at.timestamp()})
        return [f"release {number} is done"]
    move_release(store, number, was=RUNNING, values=values)
    names = seal_group(store, deployment, settings, number, stage + 1, who=WHO, now_at=now_at)
    return [f"release {number}: group {stage + 2} is sealed: {', '.join(names)}"]


def judge_group(store: Store, known: Known, group: list[dict[str, Any]], *, now_at: datetime) -> Judged:
    """The verdict on one group from the records since each of its nodes runs the order."""
    if not group:
        return Judged(Verdict.GO_ON, "no nodes in it")
    running = [row for row in group if _is(row, OrderState.ON_TRIAL, OrderState.UNSURE, OrderState.REFUSED)]
    waiting = [row for row in group if _is(row, OrderState.SEALED, OrderState.POSTED, OrderState.DRAFTED)]
    if not running:
        return (
            Judged(Verdict.WAIT, f"{len(waiting)} not yet taken")
            if waiting
            else Judged(Verdict.GO_ON, "all have ended")
        )
    judged = judge([watched(store, known, row, now_at) for row in running])
    if judged.verdict is Verdict.GO_ON and waiting:
        return Judged(Verdict.GO_ON, f"{judged.why}; {len(waiting)} have not taken it yet")
    return judged


def watched(store: Store, known: Known, row: Mapping[str, Any], now_at: datetime) -> Watched:
    """What one node has shown since its order was first seen applied."""
    node_id, since_s, now_s = int(row["node_id"]), float(row["state_at"]), now_at.timestamp()
    records = read_records(store, since_s, now_s, [node_id])
    estimate = known.estimates.get(node_id, {})
    told = known.latest.get(str(row["node"]), {})
    trial_s = max(now_s - since_s, 0.0)
    promised = predicted_wakes_per_d(row)
    per_d = promised if promised is not None else float(estimate.get("wakes_per_day") or np.nan)
    seq = records["seq"].to_numpy(float)
    wakes = float(seq.max() - seq.min() + 1) if len(seq) else 0.0
    last_heard = float(told.get("last_heard") or since_s)
    return Watched(
        node=str(row["node"]),
        state=OrderState(row["state"]),
        trial_s=trial_s,
        records_count=len(records),
        wakes_count=wakes,
        expected_wakes_count=(per_d if np.isfinite(per_d) else 24.0) * trial_s / S_PER_D,
        resets_count=int(records["cause"].isin([int(cause) for cause in RESETS]).sum()),
        silent_s=max(now_s - last_heard, 0.0),
        interval_s=_interval_s(known, row),
    )


def _interval_s(known: Known, row: Mapping[str, Any]) -> float:
    """How often to expect a node: its new timer, or its usual longest silence stretched as the timer was."""
    sleep_s = float(row["sleep_s"])
    before = json.loads(row["before"]).get("sleep_s") if row.get("before") else None
    stretch = sleep_s / before if before else 1.0
    usual_s = known.usual_gap_s.get(int(row["node_id"]), np.nan)
    return float(np.nanmax([sleep_s, 3600.0, usual_s * max(stretch, 1.0)]))


def keep(
    store: Store, deployment: Deployment, settings: Settings, known: Known, row: Mapping[str, Any], *, now_at: datetime
) -> bool:
    """Seal the keep word for one order on trial; False if that was done before."""
    node_id, rev = int(row["node_id"]), int(row["rev"])
    earlier = read_orders(store, node_ids=[node_id])
    if len(earlier[(earlier["kind"] == "keep") & (earlier["rev"] == rev)]):
        return False
    node = str(row["node"])
    form = form_of(deployment, settings, known, read_keys(settings.keys_dir), node, rev=rev, now_at=now_at)
    frame = sealed_keep(order_of(row), form)
    at = now_at.timestamp()
    values = {
        "node_id": node_id, "release_id": int(row["release_id"]), "rev": rev, "kind": "keep", "state": "sealed",
        "state_at": at, "issued": at, "until": at + form.valid_d * S_PER_D, "word": form.word, "topic": form.topic,
        "sealed": frame,
    }  # fmt: skip
    add_order(store, values, audited=Audited(at, WHO, "keep", {"node": node, "rev": rev}))
    return True


def hold(store: Store, release_id: int, *, why: str, who: str, now_at: datetime) -> bool:
    """Stop a release: nothing more is sealed, trial nodes get no keep word and fall back by themselves."""
    values = {"state": HELD, "why": why, "stage_at": now_at.timestamp()}
    told = Audited(now_at.timestamp(), who, "hold", {"release": release_id, "why": why})
    return move_release(store, release_id, was=RUNNING, values=values, audited=told)


def withdraw(store: Store, row: Mapping[str, Any], *, who: str, now_at: datetime) -> bool:
    """Take back an order that nobody has taken yet: it lapses, and its retained message is cleared."""
    values = {"state": str(OrderState.LAPSED), "state_at": now_at.timestamp(), "detail": f"withdrawn by {who}"}
    told = Audited(now_at.timestamp(), who, "withdraw", {"order": int(row["order_id"])})
    return move_order(store, int(row["order_id"]), was=str(row["state"]), values=values, audited=told)


def _is(row: Mapping[str, Any], *states: OrderState) -> bool:
    return OrderState(row["state"]) in states
