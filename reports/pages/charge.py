"""Page five: where the charge goes, with what is not accounted for always shown."""

from __future__ import annotations

from typing import Any

from reports.charts.budget import budget
from reports.charts.draw import draw
from reports.charts.theme import HATCH, PART_COLOUR, PART_EDGE
from reports.model import PARTS, NodeLine, ReportModel
from reports.pages.picture import both
from reports.say import Say, shown

BARS = 12
WIDE_PX, NARROW_PX = 680, 170


def total(line: NodeLine) -> float:
    """All parts together, mAh a day; unknown parts are left out."""
    return sum(value for value in line.parts.values() if value is not None)


def charge(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    ranked = [line for line in model.nodes if total(line) > 0]
    ranked.sort(key=lambda line: (-total(line), line.node))
    top = ranked[:BARS]
    out: dict[str, Any] = {
        "title": say("charge.title"),
        "headline": _headline(model, top[0], say) if top else say("charge.none"),
        "note": say("charge.note"),
        "legend": [_key(part, say) for part in PARTS],
        "columns": [say("columns.node"), *(say(f"part.{part}") for part in PARTS), say("columns.total")],
        "rows": [_row(shown(line.node), line.parts, say) for line in top],
        "picture": None,
    }
    if not top:
        return out
    medians = _medians(model, top, say)
    out["rows"] += [_row(name, parts, say) for name, parts in medians]
    bars = [(line.node, line.parts) for line in top] + [("", {}), *medians]
    most = max(PARTS, key=lambda part: top[0].parts.get(part) or 0.0)
    finding = say(
        "charge.alt",
        count=say.number(len(top)),
        node=shown(top[0].node),
        total=say.short(total(top[0])),
        share=say.level((top[0].parts[most] or 0.0) / total(top[0])),
        part=say(f"part.{most}"),
    )
    drawn = [
        draw(budget(bars, say, width), name=f"budget-{width}", title=say("charge.title"), finding=finding)
        for width in (WIDE_PX, NARROW_PX)
    ]
    if any(line.parts["unaccounted"] is None for line in top):
        out["note"] += f" + ?: {say('charge.unknown')}."
    return {**out, "picture": both("budget", finding, *drawn)}


def _medians(model: ReportModel, top: list[NodeLine], say: Say) -> list[tuple[str, dict[str, float | None]]]:
    """The median bar of the first node's site."""
    site = next(site for site in model.sites if site.site == top[0].site)
    return [(say("charge.median"), site.parts_median)]


def _headline(model: ReportModel, line: NodeLine, say: Say) -> str:
    site = next(site for site in model.sites if site.site == line.site)
    usual = sum(value for value in site.parts_median.values() if value is not None)
    largest = max(PARTS, key=lambda part: line.parts.get(part) or 0.0)
    if largest == "unaccounted":
        return say("charge.headline_lost", node=shown(line.node), total=say.short(total(line)))
    most = say(f"part.{largest}")
    if usual > 0 and total(line) / usual >= 1.15:
        return say("charge.headline", node=shown(line.node), ratio=say.number(total(line) / usual, 1), part=most)
    return say("charge.headline_plain", node=shown(line.node), total=say.short(total(line)), part=most)


def _key(part: str, say: Say) -> dict[str, str]:
    colour = PART_COLOUR[part]
    return {
        "part": part,
        "text": say(f"part.{part}"),
        "colour": "" if colour == HATCH else colour,
        "edge": PART_EDGE.get(part, colour),
    }


def _row(name: str, parts: dict[str, float | None], say: Say) -> list[str]:
    values = [parts.get(part) for part in PARTS]
    told = sum(value for value in values if value is not None)
    return [name, *(say.number(value, 2) for value in values), say.number(told, 2)]
