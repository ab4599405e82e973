"""The report as PDF: the same pages of words, set by typst; tagged, and the same bytes for the same report."""

from __future__ import annotations

import json
import tempfile
from datetime import date
from importlib import resources
from pathlib import Path

from reports.model import STATES, ReportModel
from reports.say import say
from reports.wall import state_mark
from reports.weekly import Pages

MARK_BOX = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-5 -5 10 10">{}</svg>'


def as_pdf(model: ReportModel, pages: Pages) -> bytes:
    """The PDF's bytes."""
    import typst

    static = resources.files("reports")
    with (
        tempfile.TemporaryDirectory(prefix="report-") as folder,
        resources.as_file(static.joinpath("static/font")) as fonts,
    ):
        place = Path(folder)
        source = place / "report.typ"
        source.write_text(static.joinpath("templates/report.typ").read_text(encoding="utf-8"), encoding="utf-8")
        (place / "data.json").write_text(json.dumps(_for_paper(model, pages), ensure_ascii=False), encoding="utf-8")
        made: bytes = typst.compile(
            str(source), root=str(place), font_paths=[str(fonts)], ignore_system_fonts=False, pdf_standards=["ua-1"]
        )
    return made


def _for_paper(model: ReportModel, pages: Pages) -> Pages:
    """The pages with what only paper needs: marks as images, the day, the appendix' name."""
    day = date.fromisoformat(model.as_of_day)
    return {
        **pages,
        "date": [day.year, day.month, day.day],
        "report_id": model.report_id,
        "marks": {state: MARK_BOX.format(state_mark(state, 0, 0)) for state in STATES},
        "appendix": say(pages["language"])("front.table"),
    }
