"""One look at everything on its way: what records moved, which group may be kept, what has to stop."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import Known, known_of, named
from fleet.jobs.release import (
    DONE,
    HELD,
    RUNNING,
    form_of,
    no_room,
    order_of,
    predicted_wakes_per_d,
    running_releases,
    seal_group,
    usual_wakes_per_d,
)
from fleet.jobs.release_evidence import drains_low, missed_alarms, site_ratios, wakes_of
from fleet.jobs.release_heard import observe_all, read_live
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
UNTAKEN = (OrderState.DRAFTED, OrderState.SEALED, OrderState.POSTED)
JUDGED = (OrderState.ON_TRIAL, OrderState.UNSURE, OrderState.REFUSED, OrderState.PUT_BACK)
RESETS = (Cause.BROWNOUT, Cause.WATCHDOG)
WHO = "release"


def step(store: Store, deployment: Deployment, settings: Settings, *, now_at: datetime) -> list[str]:
    """Move orders, keep or halt groups, seal the next ones; one sentence for each thing done."""
    if not len(read_live(store, now_at)) and not running_releases(store):
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
    group = rows_of(rows[rows["stage"] <= stage])  # one of an earlier group that lapsed may have come back
    verdict = judge_group(store, deployment, known, group, now_at=now_at)
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
    waiting = rows_of(rows[(rows["stage"] == stage + 1) & (rows["state"] == OrderState.DRAFTED)])
    if no_room(store, deployment, waiting) or not move_release(store, number, was=RUNNING, values=values):
        return []
    names = seal_group(store, deployment, settings, number, stage + 1, who=WHO, now_at=now_at)
    return [f"release {number}: group {stage + 2} is sealed: {', '.join(names)}"]


def judge_group(
    store: Store, deployment: Deployment, known: Known, group: list[dict[str, Any]], *, now_at: datetime
) -> Judged:
    """The verdict on one group from the records since each of its nodes runs the order."""
    if not group:
        return Judged(Verdict.GO_ON, "no nodes in it")
    running = [row for row in group if _is(row, *JUDGED)]
    waiting = [row for row in group if _is(row, OrderState.SEALED, OrderState.POSTED, OrderState.DRAFTED)]
    if not running:
        return (
            Judged(Verdict.WAIT, f"{len(waiting)} not yet taken")
            if waiting
            else Judged(Verdict.GO_ON, "all have ended")
        )
    since_s, now_s = min(float(row["state_at"]) for row in running), now_at.timestamp()
    ratios = site_ratios(store, deployment, {str(row["site"]) for row in running}, since_s=since_s, now_s=now_s)
    missed = missed_alarms(store, deployment, running, since_s=since_s, now_s=now_s)
    shown = [watched(store, known, row, now_at, missed_alarm=row["node"] in missed) for row in running]
    expected = [one.expected_wakes_count for one in shown]
    usual = sum(count * ratios[str(row["site"])] for count, row in zip(expected, running, strict=True))
    ratio = usual / sum(expected) if sum(expected) > 0 else 1.0
    judged = judge(shown, control_ratio=ratio)
    if judged.verdict is Verdict.GO_ON:
        judged = judge(_with_drain(store, deployment, running, shown, ratio=ratio, now_at=now_at), control_ratio=ratio)
    if judged.verdict is Verdict.GO_ON and waiting:
        return Judged(Verdict.GO_ON, f"{judged.why}; {len(waiting)} have not taken it yet")
    return judged


def _with_drain(
    store: Store,
    deployment: Deployment,
    running: list[dict[str, Any]],
    shown: list[Watched],
    *,
    ratio: float,
    now_at: datetime,
) -> list[Watched]:
    """The same with each drain beside what was promised; a storm that wakes all nodes drains them all."""
    high = {int(row["node_id"]): promised_drain_high(row) for row in running}
    since_s = {int(row["node_id"]): float(row["state_at"]) for row in running if high[int(row["node_id"])] is not None}
    low = drains_low(store, deployment, since_s, now_at=now_at)
    return [
        msgspec.structs.replace(
            one,
            drain_low=low.get(int(row["node_id"])),
            drain_promised_high=None if (most := high[int(row["node_id"])]) is None else most * max(ratio, 1.0),
        )
        for one, row in zip(shown, running, strict=True)
    ]


def promised_drain_high(row: Mapping[str, Any]) -> float | None:
    """The most that the advice behind an order promised, [mAh/day]; None if it promised nothing."""
    promised = json.loads(row["predicted"]) if row.get("predicted") else {}
    value = promised.get("drain_mah_per_day_hi") or promised.get("drain_mah_per_day")
    return None if value is None else float(value)


def watched(
    store: Store, known: Known, row: Mapping[str, Any], now_at: datetime, *, missed_alarm: bool = False
) -> Watched:
    """What one node has shown since its order was first seen applied; since its sealing, if it went back by itself."""
    node_id, now_s = int(row["node_id"]), now_at.timestamp()
    since_s = float(row["issued" if _is(row, OrderState.PUT_BACK) else "state_at"])
    records = read_records(store, since_s, now_s, [node_id])
    told = known.latest.get(str(row["node"]), {})
    trial_s = max(now_s - since_s, 0.0)
    promised = predicted_wakes_per_d(row)
    per_d = promised if promised is not None else usual_wakes_per_d(known, node_id)
    last_heard = float(told.get("last_heard") or since_s)
    return Watched(
        node=str(row["node"]),
        state=OrderState(row["state"]),
        trial_s=trial_s,
        records_count=len(records),
        wakes_count=wakes_of(records).get(node_id, 0.0),
        expected_wakes_count=(24.0 if per_d is None else per_d) * trial_s / S_PER_D,
        resets_count=int(records["cause"].isin([int(cause) for cause in RESETS]).sum()),
        silent_s=max(now_s - last_heard, 0.0),
        interval_s=_interval_s(known, row),
        missed_alarm=missed_alarm,
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
    """Stop a release: nothing more is sealed, what nobody has taken is withdrawn, trial nodes get no keep word.

    Those on trial fall back by themselves, without a downlink.
    """
    values = {"state": HELD, "why": why, "stage_at": now_at.timestamp()}
    told = Audited(now_at.timestamp(), who, "hold", {"release": release_id, "why": why})
    if not move_release(store, release_id, was=RUNNING, values=values, audited=told):
        return False
    rows = read_orders(store, states=UNTAKEN, release_id=release_id)
    for row in rows_of(rows[rows["kind"] == "settings"]):
        withdraw(store, row, who=who, now_at=now_at)
    return True


def withdraw(store: Store, row: Mapping[str, Any], *, who: str, now_at: datetime) -> bool:
    """Take back an order that nobody has taken yet: it lapses, and its retained message is cleared."""
    values = {"state": str(OrderState.LAPSED), "state_at": now_at.timestamp(), "detail": f"withdrawn by {who}"}
    told = Audited(now_at.timestamp(), who, "withdraw", {"order": int(row["order_id"])})
    return move_order(store, int(row["order_id"]), was=str(row["state"]), values=values, audited=told)


def _is(row: Mapping[str, Any], *states: OrderState) -> bool:
    return OrderState(row["state"]) in states
