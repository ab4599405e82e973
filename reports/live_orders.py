"""Orders on the live page: drafts with what the limits say, releases by stage, and who has not answered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.live import LiveModel, age_text
from reports.live_node import SETTING_NAMES, moment, next_wake
from reports.say import shown

if TYPE_CHECKING:
    from datetime import datetime

    from fleet.settings import Settings
    from fleet.store.engine import Store

WAITING = ("sealed", "posted")
ENDED = ("in_force", "lapsed", "overtaken", "lost", "put_back", "refused")
NEWEST = 200


def orders_view(store: Store, settings: Settings, model: LiveModel, *, now_at: datetime) -> dict[str, Any]:
    """Everything on its way."""
    from fleet.jobs.drafts import named
    from fleet.store.orders import read_orders, read_releases
    from fleet.store.results import plain, rows_of

    now_s = now_at.timestamp()
    frame = named(read_orders(store), model.deployment)
    rows = [{key: plain(value) for key, value in one.items()} for one in rows_of(frame)][::-1]
    keeps = {(one["node_id"], one["rev"]) for one in rows if one["kind"] == "keep"}
    rows = [one for one in rows if one["kind"] != "keep"]
    lines = [_order(one, model, now_s, kept=(one["node_id"], one["rev"]) in keeps) for one in rows]
    drafts = [line for line in lines if line["state"] == "drafted"]
    releases = [
        _release(one, [line for line in lines if line["release"] == one["release_id"]]) for one in read_releases(store)
    ]
    counts: dict[str, int] = {}
    for line in lines:
        counts[line["state"]] = counts.get(line["state"], 0) + 1
    return {
        "drafts": _with_breaches(store, settings, model, drafts, now_at) if drafts else [],
        "waiting": [line for line in lines if line["state"] in WAITING],
        "releases": releases,
        "orders": lines[:NEWEST],
        "counts": sorted(counts.items()),
        "more": max(0, len(lines) - NEWEST),
    }


def _order(one: dict[str, Any], model: LiveModel, now_s: float, *, kept: bool) -> dict[str, Any]:
    now = model.now.get(int(one["node_id"]))
    values = ", ".join(f"{name} {one[name]:g}" for name in SETTING_NAMES if one[name] is not None)
    return {
        "id": int(one["order_id"]),
        "node_id": int(one["node_id"]),
        "node": shown(str(one["node"])),
        "site": shown(str(one["site"] or "–")),
        "release": None if one["release_id"] is None else int(one["release_id"]),
        "stage": None if one["stage"] is None else int(one["stage"]) + 1,
        "rev": None if one["rev"] is None else int(one["rev"]),
        "state": str(one["state"]),
        "state_word": str(one["state"]).replace("_", " "),
        "since": moment(one["state_at"]),
        "age": age_text(one["state_at"], now_s),
        "settings": values,
        "detail": shown(one["detail"] or "", 300),
        "who": shown(one["drafted_by"] or "–"),
        "until": moment(one["until"]) if one["until"] else "–",
        "wakes": next_wake(now.told, now_s) if now is not None else "never heard",
        "kept": kept,
        "override": shown(one["override_reason"] or "", 200),
    }


def _release(one: dict[str, Any], lines: list[dict[str, Any]]) -> dict[str, Any]:
    stages: dict[int, dict[str, int]] = {}
    for line in lines:
        here = stages.setdefault(line["stage"] or 1, {})
        here[line["state_word"]] = here.get(line["state_word"], 0) + 1
    return {
        "id": int(one["release_id"]),
        "state": str(one["state"]),
        "stage": int(one["stage"] or 0) + 1,
        "since": moment(one["stage_at"]),
        "why": shown(one["why"] or "", 300),
        "who": shown(one["made_by"] or "–"),
        "made": moment(one["made_at"]),
        "stages": [{"stage": stage, "counts": sorted(counts.items())} for stage, counts in sorted(stages.items())],
        "n": len(lines),
    }


def _with_breaches(
    store: Store, settings: Settings, model: LiveModel, lines: list[dict[str, Any]], now_at: datetime
) -> list[dict[str, Any]]:
    """Drafts with what forbids them."""
    from fleet.jobs.drafts import breaches_of, drafts, known_of
    from fleet.store.results import rows_of

    known = known_of(store, model.deployment, settings, now_at)
    found = {
        int(row["order_id"]): [shown(one.text, 300) for one in breaches_of(known, model.deployment, settings, row)]
        for row in rows_of(drafts(store, model.deployment))
    }
    return [{**line, "breaches": found.get(line["id"], [])} for line in lines]
