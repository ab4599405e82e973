"""HTML, SVG and PDF: the same numbers in each, nothing fetched, hostile names harmless."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from pypdf import PdfReader

from reports.as_html import as_html
from reports.as_pdf import as_pdf
from reports.charts.theme import HATCH
from reports.model import ReportModel
from reports.weekly import Pages, weekly_pages
from reports.write import report_files
from tests.reports.conftest import build
from tests.reports.fleet_of import fleet_of

PDFTOTEXT = shutil.which("pdftotext")
SHEET_NUMBER = re.compile(r"\d+ / \d+\s*$", re.MULTILINE)
NUMBER = re.compile(r"\d[\d.,]*")
HOSTILE = (
    "<script>alert(1)</script>",
    "</text><svg onload=alert(1)>",
    '=HYPERLINK("http://x")',
    "#eval(1) *b* _i_ @r $x$ \\",
    "abc\u202edcba\u2066",
    "[red]x[/]{0}%s{{7*7}}",
    "שלום עולם",
    "n" * 64,
    "a;b,c\\n:\r\nBEGIN:VEVENT",
    "'\"&amp;",
)


class Seen(HTMLParser):
    """Visible text, tags and addresses of a page; charts and tables folded on screen are counted in."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text: list[str] = []
        self.inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.inside.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "action", "xlink:href")]

    def handle_endtag(self, tag: str) -> None:
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not {"style", "script", "svg", "title"} & set(self.inside):
            self.text.append(data)


def seen(page: str) -> Seen:
    parser = Seen()
    parser.feed(page)
    return parser


@pytest.fixture(scope="module")
def page(model: ReportModel, pages: Pages) -> str:
    return as_html(model, pages)


@pytest.fixture(scope="module")
def pdf_text(model: ReportModel, pages: Pages) -> str:
    return "\n".join(sheet.extract_text() for sheet in PdfReader(BytesIO(as_pdf(model, pages))).pages)


def strings(value: Any, key: str = "") -> list[str]:
    if isinstance(value, dict):
        return [text for name, inner in value.items() for text in strings(inner, name)]
    if isinstance(value, list | tuple):
        return [text for inner in value for text in strings(inner, key)]
    quiet = {"svg", "narrow", "finding", "alt", "name", "colour", "edge", "state", "part", "id", "language", "wall"}
    return [] if key in quiet or not isinstance(value, str) else [value]


def numbers(text: str) -> set[str]:
    return {found.rstrip(".,") for found in NUMBER.findall(text.replace("\u00a0", " "))}


def test_every_number_of_the_pages_is_on_paper_and_on_screen(pages: Pages, page: str, pdf_text: str) -> None:
    """Moved dates of the single sites are folded tables of the screen alone."""
    told = {key: value for key, value in pages.items() if key not in ("wall", "week")}
    told["sites"] = told["sites"] | {"cards": [{**card, "moved": []} for card in told["sites"]["cards"]]}
    wanted = numbers(" ".join(text for value in told.values() for text in strings(value)))
    assert len(wanted) > 100
    assert wanted - numbers(" ".join(seen(page).text)) == set()
    assert wanted - numbers(pdf_text) == set()


@pytest.mark.skipif(PDFTOTEXT is None, reason="no pdftotext here: install the package `poppler-utils`")
def test_no_number_stands_on_paper_that_is_not_on_the_screen(
    model: ReportModel, pages: Pages, page: str, tmp_path: Path
) -> None:
    """Read by poppler, not by what wrote the PDF. Numbers in charts count on both sides; sheet numbers do not."""
    file = tmp_path / "report.pdf"
    file.write_bytes(as_pdf(model, pages))
    told = subprocess.run(
        [str(PDFTOTEXT), "-layout", str(file), "-"], check=True, capture_output=True, text=True
    ).stdout
    paper = numbers(SHEET_NUMBER.sub("", told))
    screen = numbers(re.sub(r"<[^>]*>", " ", page.split("</style>", 1)[1]))
    assert len(paper) > 150
    assert paper - screen == set()


def test_screen_and_paper_say_the_same_headline_and_report_id(
    model: ReportModel, pages: Pages, page: str, pdf_text: str
) -> None:
    flat = " ".join(pdf_text.replace("\u00a0", " ").split())
    assert pages["front"]["headline"].replace("\u00a0", " ") in flat
    assert model.report_id in page and model.report_id in pdf_text.replace("\n", "")


def test_the_page_asks_for_nothing_and_has_one_first_heading(page: str) -> None:
    found = seen(page)
    assert all(address.startswith("#n") for address in found.addresses)
    assert re.findall(r"url\((?!data:|#)", page) == []
    assert found.tags.count("h1") == 1
    assert "default-src 'none'" in page


def test_the_pdf_is_tagged_and_claims_universal_access(model: ReportModel, pages: Pages) -> None:
    """ISO 14289-1 (PDF/UA-1) §7.1: content is tagged, and a document title is shown; typst refuses what breaks it."""
    found = PdfReader(BytesIO(as_pdf(model, pages)))
    assert found.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert found.metadata is not None and pages["front"]["headline"] in str(found.metadata.title)


def charts(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value[key] for key in ("svg", "narrow") if value.get(key)]
        return own + [svg for inner in value.values() for svg in charts(inner)]
    return [svg for inner in value for svg in charts(inner)] if isinstance(value, list) else []


def test_every_chart_carries_its_own_type_and_needs_no_page(pages: Pages) -> None:
    drawn = charts(pages)
    assert len(drawn) > 40
    for svg in drawn:
        root = ElementTree.fromstring(svg)
        assert root.get("font-family")
        assert "class=" not in svg and "style=" not in svg and HATCH not in svg
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            assert text.get("font-size") and text.get("fill"), svg[:200]


def test_every_chart_has_a_title_and_states_its_finding(pages: Pages) -> None:
    """WCAG 2.2, success criterion 1.1.1: a text alternative that serves the same purpose."""
    for svg in charts({key: value for key, value in pages.items() if key != "wall"}):
        assert "<title id=" in svg and "<desc id=" in svg and 'role="img"' in svg


def test_ids_are_unique_in_the_page(page: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


@pytest.fixture(scope="module")
def hostile() -> ReportModel:
    found = fleet_of(20, seed=3)
    names = [HOSTILE[index % len(HOSTILE)][: 64 - 3] + f"{index:03d}" for index in range(len(found.nodes))]
    sites = found.nodes["site"].map({site: HOSTILE[i] for i, site in enumerate(found.nodes["site"].unique())})
    return build(replace(found, nodes=found.nodes.assign(node=names, site=sites)))


def test_hostile_names_stay_text_in_every_form(hostile: ReportModel) -> None:
    files = report_files(hostile, "de")
    page = files["report.html"].decode()
    assert seen(page).tags.count("script") == 1
    assert "onload=alert(1)>" not in page and "\u202e" not in page
    for svg in charts(weekly_pages(hostile, "de")):
        tags = {element.tag.rsplit("}", 1)[1] for element in ElementTree.fromstring(svg).iter()}
        assert tags <= {
            "svg",
            "g",
            "path",
            "text",
            "tspan",
            "title",
            "desc",
            "defs",
            "pattern",
            "line",
            "clipPath",
            "rect",
        }
    assert files["report.pdf"].startswith(b"%PDF")
    assert files["visits.ics"].decode().count("BEGIN:VEVENT") == len(hostile.calendar)
    assert not re.search(r"^[=+@-]", files["nodes.csv"].decode(), re.MULTILINE)


def test_a_large_fleet_has_its_wall_on_pages_of_their_own(model: ReportModel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reports.pages.wall.OWN_PAGES_FROM", 10)
    files = report_files(model, "en")
    walls = [name for name in files if name.startswith("wall-")]
    assert len(walls) == model.site_count
    addresses = seen(files["report.html"].decode()).addresses
    assert sorted(address for address in addresses if not address.startswith("#")) == walls
