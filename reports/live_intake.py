"""Whether the evidence is sound: what arrived, what was set aside, gaps, clocks, unlisted names, the broker link."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fleet.units import S_PER_D
from reports.live import LiveModel, age_text
from reports.live_node import moment
from reports.say import Say, shown

if TYPE_CHECKING:
    from fleet.store.engine import Store

LOOK_BACK_D = 14
WORST = 20
RAW_SHOWN = 512


def intake_view(store: Store, model: LiveModel, say: Say, now_s: float) -> dict[str, Any]:
    """Everything of the view."""
    from fleet.store.for_live import arrived_counts, newest_link_events, newest_set_aside
    from fleet.store.set_aside import count_by_reason

    counts = dict(arrived_counts(store, now_s))
    hours = [{"ago": back, "n": counts.get(back, 0)} for back in range(23, -1, -1)]
    gaps, clocks = _by_node(store, model, say)
    return {
        "hours": hours,
        "most": max(1, *(one["n"] for one in hours)),
        "per_min": say.short(counts.get(0, 0) / 60.0),
        "today": sum(counts.values()),
        "reasons": sorted(count_by_reason(store).items()),
        "set_aside": [_payload(one, now_s) for one in newest_set_aside(store)],
        "gaps": gaps,
        "clocks": clocks,
        "unknown": [shown(name) for name in model.unknown][:100],
        "silent": [shown(line.node) for line in model.report.nodes if model.heard(line) is None][:100],
        "links": [
            {"at": moment(one["at"]), "age": age_text(one["at"], now_s), "what": one["what"],
             "detail": shown(one["detail"] or "", 300)}
            for one in newest_link_events(store)
        ],
    }  # fmt: skip


def _payload(one: dict[str, Any], now_s: float) -> dict[str, Any]:
    raw = bytes(one["raw"])
    cut = raw[:RAW_SHOWN]
    return {
        "id": one["set_aside_id"],
        "age": age_text(one["arrived"], now_s),
        "at": moment(one["arrived"]),
        "topic": shown(one["topic"], 120),
        "reason": one["reason"],
        "detail": shown(one["detail"], 400),
        "bytes": len(raw),
        "text": shown(cut.decode("utf-8", "replace"), RAW_SHOWN),
        "hex": cut.hex(" "),
        "cut": len(raw) > RAW_SHOWN,
    }


def _by_node(store: Store, model: LiveModel, say: Say) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Nodes with the most missing records, and those whose clock was not believed, over the last two weeks."""
    from fleet.store.days import read_days
    from fleet.store.results import rows_of

    newest = model.last_heard or model.report.as_of
    columns = ("node_id", "day", "seen", "missing", "clock_fault", "clock_unset", "gap_max_s")
    days = read_days(store, since_day=int(newest // S_PER_D) - LOOK_BACK_D, columns=columns)
    sums = days.groupby("node_id").agg(
        seen=("seen", "sum"), missing=("missing", "sum"), fault=("clock_fault", "sum"), unset=("clock_unset", "sum"),
        gap_s=("gap_max_s", "max"),
    )  # fmt: skip
    names = {line.node_id: shown(line.node) for line in model.report.nodes}
    sums = sums[sums.index.isin(names)]
    lost = sums[sums["missing"] > 0].sort_values("missing", ascending=False).head(WORST)
    bad = sums[sums["fault"] > 0].sort_values("fault", ascending=False).head(WORST)
    gaps = [
        {"id": int(node_id), "node": names[int(node_id)], "missing": int(one["missing"]), "seen": int(one["seen"]),
         "share": say.level(one["missing"] / (one["seen"] + one["missing"])), "gap_h": say.short(one["gap_s"] / 3600)}
        for node_id, one in zip(lost.index.tolist(), rows_of(lost), strict=True)
    ]  # fmt: skip
    clocks = [
        {"id": int(node_id), "node": names[int(node_id)], "fault": int(one["fault"]), "unset": int(one["unset"])}
        for node_id, one in zip(bad.index.tolist(), rows_of(bad), strict=True)
    ]
    return gaps, clocks
