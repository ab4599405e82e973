"""The weekly report put into words once; HTML, PDF, text and mail all render these pages."""

from __future__ import annotations

from typing import Any

from reports.model import ReportModel
from reports.pages.changes import changes
from reports.pages.charge import charge
from reports.pages.front import front
from reports.pages.panels import panels
from reports.pages.sites import sites
from reports.pages.sure import sure
from reports.pages.wakes import wakes
from reports.pages.wall import wall
from reports.say import say

Pages = dict[str, Any]


def weekly_pages(model: ReportModel, language: str) -> Pages:
    """All pages, as texts and drawn charts."""
    words = say(language)
    return {
        "language": language,
        "title": model.title,
        "week": model.week,
        "table": words("front.table"),
        "states": {state: words(f"state.{state}") for state in ("due", "soon", "holds", "unsure")},
        "front": front(model, words),
        "sites": sites(model, words),
        "changes": changes(model, words),
        "wakes": wakes(model, words),
        "charge": charge(model, words),
        "panels": panels(model, words),
        "wall": wall(model, words),
        "sure": sure(model, words),
    }
