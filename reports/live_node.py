"""What the live page shows of one node: fan, calendar, budget, readings, settings, flags, visits, notes."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from fleet.units import S_PER_D
from reports.build_strips import STRIP_D, strip_of
from reports.charts.budget import budget
from reports.charts.draw import draw
from reports.charts.strip import strip
from reports.charts.theme import CAUSE_COLOUR, HATCH, PART_COLOUR
from reports.live import LiveModel, age_text
from reports.live_readings import band_spans, readings_svg
from reports.live_views import row
from reports.model import PARTS, NodeLine
from reports.pages.panels import panel
from reports.pages.wakes import advice_words
from reports.say import Say, shown

if TYPE_CHECKING:
    from fleet.store.engine import Store

SPANS = (("1 day", 1.0), ("1 week", 7.0), ("4 weeks", 28.0), ("26 weeks", 182.0), ("1 year", 365.0))
WIDE_PX, NARROW_PX = 1080, 300
LEAST_D, MOST_D = 0.1, 3660.0
DRAWN_AT_MOST, CHOICES = 100, 12
SETTING_NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")


def node_view(store: Store, model: LiveModel, line: NodeLine, say: Say, now_s: float) -> dict[str, Any]:
    """Everything but the readings, which are zoomed on their own."""
    from fleet.store.for_live import audit_of_orders, events_of, settings_history
    from fleet.store.setup import read_notes

    charts = _charts(store, model, line, say)
    history = settings_history(store, line.node_id)
    sealed = _sealed_by(audit_of_orders(store), line.node)
    advice = advice_words(line.advice, line, say) if line.advice is not None else ("", "")
    return {
        "row": row(model, line, say, now_s),
        **charts,
        "causes": [{"colour": colour, "text": say(f"cause.{name}")} for name, colour in CAUSE_COLOUR.items()],
        "parts": [_part(part, line, say) for part in PARTS],
        "settings": [_setting(one, sealed, now_s) for one in history[::-1]][:12],
        "flags": [_flag(flag, say) for flag in line.flags],
        "events": [_event(one) for one in events_of(store, line.node_id)],
        "notes": [
            {"at": moment(one["at"]), "text": shown(one["text"], 500), "who": shown(one["told_by"] or "–")}
            for one in read_notes(store, [line.node_id])
        ],
        "advice": {"proposal": advice[0], "effect": advice[1],
                   "sentence": shown(line.advice.sentence, 400) if line.advice else ""},
        "told": _told(model, line, now_s),
    }  # fmt: skip


def _charts(store: Store, model: LiveModel, line: NodeLine, say: Say) -> dict[str, Any]:
    """Fan, calendar, budget and the advice's other choices: drawn once as long as the report stands."""
    from fleet.store.reading import read_records

    held: dict[str, Any] | None = model.drawn.get(line.node_id)
    if held is not None:
        return held
    site, as_of = model.site_of(line), model.report.as_of
    records = read_records(store, as_of - (STRIP_D + 1) * S_PER_D, as_of + 1, [line.node_id])
    drawn = {
        "panel": panel(line.node_id, line, site, as_of, say),
        "calendar": _calendar(line, records if len(records) else None, site.timezone, as_of, say),
        "budget": _budget(line, site.parts_median, say),
        "choices": _choices(store, line, say),
    }
    if len(model.drawn) >= DRAWN_AT_MOST:
        model.drawn.clear()
    model.drawn[line.node_id] = drawn
    return drawn


def _choices(store: Store, line: NodeLine, say: Say) -> list[dict[str, Any]]:
    """Other settings that were weighed: what each costs in wakes and gives in life and events seen."""
    from fleet.store.for_live import advice_curve

    options = advice_curve(store, line.node_id)
    most = max((float(one["wakes_per_day"] or 0.0) for one in options), default=0.0) or 1.0
    return [
        {
            "settings": ", ".join(f"{name} {one['set'][name]:g}" for name in SETTING_NAMES if one["set"].get(name)),
            "wakes": say.short(one["wakes_per_day"]),
            "share": min(1.0, float(one["wakes_per_day"] or 0.0) / most),
            "p10": say.weeks(one["days_left_p10"]),
            "p50": say.weeks(one["days_left_p50"]),
            "seen": say.share(one["events_seen"]),
        }
        for one in options[:CHOICES]
    ]


def moment(at_s: float | None) -> str:
    """A moment in UTC, to the minute."""
    return "–" if at_s is None else f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC"


def _calendar(line: NodeLine, records: Any, zone: str, as_of: float, say: Say) -> Markup | None:
    if records is None:
        return None
    found = strip_of(line, None, records, zone, as_of)
    finding = f"{shown(line.node)}: {say.short(line.wakes_per_day)} wakes a day"
    return Markup(draw(strip(found, say), name=f"strip-{line.node_id}", title=say("wakes.title"), finding=finding))


def _budget(line: NodeLine, median: dict[str, float | None], say: Say) -> dict[str, Markup] | None:
    if not any(line.parts.values()):
        return None
    bars = [(line.node, line.parts), ("", {}), (say("charge.median"), median)]
    finding = f"{shown(line.node)}: {say.short(line.drain_mah_per_day)} mAh a day"
    wide, narrow = (
        Markup(draw(budget(bars, say, px), name=f"budget-{px}", title=say("charge.title"), finding=finding))
        for px in (560, 150)
    )
    return {"wide": wide, "narrow": narrow}


def _part(part: str, line: NodeLine, say: Say) -> dict[str, str]:
    colour = PART_COLOUR[part]
    value = say.number(line.parts.get(part), 2)
    return {"text": say(f"part.{part}"), "colour": "" if colour == HATCH else colour, "value": value}


def _sealed_by(audit: list[dict[str, Any]], node: str) -> dict[int, str]:
    """Who sealed which revision of a node."""
    found: dict[int, str] = {}
    for one in audit:
        if one["what"] == "seal":
            body = json.loads(one["body"])
            if body.get("node") == node:
                found.setdefault(int(body["rev"]), str(one["who"]))
    return found


def _setting(one: dict[str, Any], sealed: dict[int, str], now_s: float) -> dict[str, Any]:
    values = ", ".join(f"{name} {one[name]:g}" for name in SETTING_NAMES if one[name] is not None)
    rev = int(one["rev"])
    who = sealed.get(rev, "as fitted" if rev == 0 else "not from here")
    return {"rev": rev, "settings": values or "–", "since": moment(one["first_at"]), "who": shown(who),
            "age": age_text(one["first_at"], now_s)}  # fmt: skip


def _flag(flag: Any, say: Say) -> dict[str, Any]:
    return {
        "what": say(f"flag.{flag.flag}") if say.has(f"flag.{flag.flag}") else flag.flag,
        "since": say.day(flag.since_day) if flag.since_day else "",
        "evidence": shown(flag.evidence, 400),
        "under": flag.under,
        "strength": say.number(flag.strength, 2),
    }


def _event(one: dict[str, Any]) -> dict[str, Any]:
    return {
        "id": int(one["event_id"]),
        "at": moment(one["at"]),
        "what": one["what"],
        "note": shown(one["note"] or "", 300),
        "who": shown(one["told_by"] or "–"),
    }


def _told(model: LiveModel, line: NodeLine, now_s: float) -> list[tuple[str, str]]:
    now = model.now.get(line.node_id)
    if now is None:
        return [("Last record", "never heard")]
    told = now.told
    figures = [("batt_mv", "mV at rest"), ("batt_tx_mv", "mV under radio load"), ("temp_c", "°C"), ("rssi_dbm", "dBm")]
    known = [f"{told[name]:g} {unit}" for name, unit in figures if told.get(name) is not None]
    return [
        ("Last record", f"{age_text(now.heard, now_s)} ago ({moment(now.heard)})"),
        ("It woke by", now.cause or "–"),
        ("It told", ", ".join(known) or "–"),
        ("Newest order", now.order or "none"),
        ("Wakes next", next_wake(told, now_s)),
    ]


def next_wake(told: Any, now_s: float) -> str:
    """When a node should wake by its timer, from its last record and its interval."""
    if told.get("last_heard") is None or not told.get("sleep_s"):
        return "not known"
    at = float(told["last_heard"]) + float(told["sleep_s"])
    return f"by {moment(at)}" if at >= now_s else f"was to wake by {moment(at)}"


def readings_view(
    store: Store, line: NodeLine, *, since: float | None, until: float | None, newest: float
) -> dict[str, Any]:
    """The readings and the battery voltage between two moments, with the ways to zoom from there."""
    from fleet.store.for_live import settings_history
    from fleet.store.reading import read_records

    until = newest if until is None else until
    since = until - 28 * S_PER_D if since is None else since
    span_s = min(max(until - since, LEAST_D * S_PER_D), MOST_D * S_PER_D)
    since = until - span_s
    records = read_records(store, since, until, [line.node_id])
    bands = band_spans(settings_history(store, line.node_id), since, until)
    t = records["t"].to_numpy(float)
    pictures = []
    for name, column, drawn_bands in (("Reading", "reading", bands), ("Battery, mV", "batt_mv", [])):
        y = records[column].to_numpy(float)
        y = np.where(np.isfinite(y), y, np.nan)
        wide, narrow = (
            Markup(readings_svg(t, y, since=since, until=until, bands=drawn_bands, title=name, width=px, height=180))
            for px in (WIDE_PX, NARROW_PX)
        )
        pictures.append({"name": name, "wide": wide, "narrow": narrow})
    return {
        "pictures": pictures,
        "since": moment(since),
        "until": moment(until),
        "count": len(records),
        "zooms": _zooms(since, until, newest),
    }


def _zooms(since: float, until: float, newest: float) -> list[dict[str, Any]]:
    span = until - since
    middle = (since + until) / 2
    moves = [
        ("earlier", since - span / 2, until - span / 2),
        ("later", min(since + span / 2, newest - span), min(until + span / 2, newest)),
        ("closer", middle - span / 4, middle + span / 4),
        ("wider", max(middle - span, 0.0), min(middle + span, newest)),
    ]
    moves += [(name, newest - days * S_PER_D, newest) for name, days in SPANS]
    return [{"name": name, "since": round(start), "until": round(end)} for name, start, end in moves]
