"""The report as one HTML file: nothing fetched, readable without script; a large fleet's wall as files beside it."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib import resources
from typing import Any

from markupsafe import Markup

from reports.model import STATES, ReportModel
from reports.say import say
from reports.wall import state_mark
from reports.weekly import Pages

WEIGHTS = (400, 600)


def as_html(model: ReportModel, pages: Pages) -> str:
    """The page of the whole report."""
    page: str = (
        environment()
        .get_template("report.html")
        .render(
            **{key: value for key, value in pages.items() if key != "table"},
            table_word=pages["table"],
            version=model.version,
            wall_files=wall_files(pages),
            panel_ids={panel["id"] for panel in pages["panels"]["panels"]},
            **_furniture(pages["language"]),
        )
    )
    return page


def wall_files(pages: Pages) -> list[str]:
    """Names of the wall's own files, one a site; none if the wall is on the page itself."""
    wall = pages["wall"]
    return [f"wall-{index + 1:03d}.html" for index in range(len(wall["by_site"]))] if wall["split"] else []


def wall_pages(model: ReportModel, pages: Pages) -> dict[str, str]:
    """The wall by site as pages of their own, by file name."""
    template = environment().get_template("wall.html")
    furniture = _furniture(pages["language"])
    return {
        name: template.render(
            site=site, wall=pages["wall"], states=pages["states"], title=model.title, week=model.week,
            language=pages["language"], version=model.version, sure=pages["sure"], **furniture,
        )
        for name, site in zip(wall_files(pages), pages["wall"]["by_site"], strict=False)
    }  # fmt: skip


@lru_cache(maxsize=1)
def environment() -> Any:
    """The templates; every text put into them is escaped."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"), autoescape=True, undefined=jinja2.StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


@lru_cache(maxsize=4)
def _furniture(language: str) -> dict[str, Any]:
    script = _text("find.js").strip()
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    words = say(language)
    return {
        "css": _text("report.css"),
        "fonts": _fonts(),
        "script": script,
        "script_hash": f"sha256-{digest}",
        "marks": {state: Markup(state_mark(state, 0, 0)) for state in STATES},  # made here, no outside text
        "sorting": {
            "months": " ".join(words.format["months"]),
            "point": words.format["decimal"],
            "under": words("format.under_one").split()[0],
            "over": words("format.over_99").split()[0],
        },
        "find": {"node": words("columns.node"), "state": words("columns.state")},
    }


def _text(name: str) -> str:
    return resources.files("reports").joinpath(f"templates/{name}").read_text(encoding="utf-8")


def _fonts() -> str:
    faces = []
    for weight in WEIGHTS:
        file = resources.files("reports").joinpath(f"static/font/source-sans-3-latin-{weight}-normal.woff2")
        data = base64.b64encode(file.read_bytes()).decode()
        faces.append(
            f'@font-face{{font-family:"Source Sans 3";font-weight:{weight};font-style:normal;'
            f'src:url(data:font/woff2;base64,{data}) format("woff2")}}'
        )
    return "".join(faces)
