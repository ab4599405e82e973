"""The demo's retune: three chattering nodes, one first, two more once it is proven."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from fleet.demo.live import live_on
from fleet.demo.play import OrderBox
from fleet.errors import OrderError
from fleet.jobs.advice import first_steps
from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import Known, breaches_of, draft, known_of
from fleet.jobs.nightly import read_deployment
from fleet.jobs.release import begin_release
from fleet.store.engine import Store, open_store
from fleet.store.latest import read_latest
from fleet.store.orders import read_orders
from fleet.store.results import advice_objects
from fleet.units import S_PER_D, S_PER_H
from ingest.outbox import Outbox
from ingest.posting import post_once

if TYPE_CHECKING:
    from fleet.commands.demo_run import Findings, Stage

NODES = 3
DAYS = 14.0
STEP_S = 3 * S_PER_H
SPEED_UP = 60_000.0
LOOK_S = 0.25
ORDER_WITHIN_S = 30.0
WHO = "demo"


@dataclass(frozen=True)
class Retuned:
    """What was proposed for each node, by name."""

    proposals: dict[str, dict[str, Any]]


def retune_three(stage: Stage, findings: Findings) -> Retuned:
    """Draft, release in two groups, let the nodes run two more weeks; what was proposed."""
    now_at = findings.as_of_at
    deployment = read_deployment(stage.store, stage.settings.setup_dir)
    known = known_of(stage.store, deployment, stage.settings, now_at)
    chosen = worth_most(stage, deployment, known, findings)
    if not chosen:
        return Retuned({})
    for node, proposal in chosen.items():
        draft(stage.store, known, node, proposal["set"], drafted_by=WHO, now_at=now_at, predicted=proposal)
    begin_release(stage.store, deployment, stage.settings, who=WHO, now_at=now_at)
    flats = stage.prepared.flats
    begun_s, end_s = flats.at_s, flats.at_s + DAYS * S_PER_D
    task = stage.progress.add_task(f"retuning {len(chosen)} nodes, two more weeks", total=DAYS)
    with OrderBox(stage.url, stage.prepared.root) as box, posting_in_played_time(stage):
        if not box.wait_for(_first_group(stage), ORDER_WITHIN_S):
            raise OrderError("demo: no order reached the broker. Look at `wakeledger retune list`.")
        steps = live_on(
            flats, stage.url, stage.prepared.root,
            speed_up=SPEED_UP, end_s=end_s, box=box, keys=stage.prepared.keys, step_s=STEP_S,
        )  # fmt: skip
        for played in steps:
            stage.progress.update(task, completed=(played.at_s - begun_s) / S_PER_D)
    stage.progress.update(task, completed=DAYS)
    return Retuned(chosen)


def _first_group(stage: Stage) -> list[str]:
    """Names of the nodes whose orders are sealed by now."""
    nodes = read_deployment(stage.store, stage.settings.setup_dir).nodes[["node_id", "node"]]
    sealed = read_orders(stage.store).merge(nodes, on="node_id")
    return [str(node) for node in sealed.loc[sealed["rev"].notna(), "node"]]


def worth_most(stage: Stage, deployment: Deployment, known: Known, findings: Findings) -> dict[str, dict[str, Any]]:
    """The three proposals that save the most wakes a day and that no limit forbids."""
    wakes = findings.estimates.nodes.merge(deployment.nodes[["node_id", "node"]], on="node_id")
    present = dict(zip(wakes["node"], wakes["wakes_per_day"], strict=True))
    proposals = [one for one in advice_objects(findings.advice, deployment.nodes) if one["remedy"] == "settings"]
    proposals.sort(key=lambda one: one["wakes_per_day"] - present[one["node"]])
    steps = first_steps(stage.store, deployment, known, proposals[: 3 * NODES], now_at=findings.as_of_at)
    allowed = [one for one in steps if not breaches_of(known, deployment, stage.settings, _as_row(one))]
    return {one["node"]: one for one in allowed[:NODES]}


def _as_row(proposal: dict[str, Any]) -> dict[str, Any]:
    return {"node": proposal["node"], **proposal["set"], "predicted": json.dumps(proposal, default=str)}


@contextmanager
def posting_in_played_time(stage: Stage) -> Iterator[None]:
    """Keep orders moving, as `wakeledger listen` does, with the newest record's arrival as the present moment."""
    stop = threading.Event()
    problems: list[BaseException] = []
    thread = threading.Thread(target=_post, args=(stage, stop, problems), name="orders", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(ORDER_WITHIN_S)
    if problems:
        raise problems[0]


def _post(stage: Stage, stop: threading.Event, problems: list[BaseException]) -> None:
    try:
        with open_store(stage.settings.database_url) as store, Outbox(stage.settings) as outbox:
            while not stop.wait(LOOK_S):
                post_once(store, stage.settings, outbox, now_at=played_at(store))
    except BaseException as why:  # handed to the demo's own thread, which raises it
        problems.append(why)


def played_at(store: Store) -> datetime:
    """Arrival of the newest record: the scenario's present moment."""
    return datetime.fromtimestamp(float(read_latest(store)["last_heard"].max()), UTC)
