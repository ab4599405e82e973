"""From a Vega-Lite definition to SVG and PNG: rendered by vl-convert, then tidied so that it stands alone."""

from __future__ import annotations

import re
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reports.charts.theme import FONT, HATCH, SOFT

LONG_NUMBER = re.compile(r"-?\d+\.\d{2,}")
MERGEABLE = re.compile(r'<path d="([^"]*)"((?: (?:fill|stroke|stroke-width|opacity|fill-opacity)="[^"]*")*)/>')
CLASS = re.compile(r' (?:class|role|aria-[a-z]+)="[^"]*"')
OPEN_TAG = re.compile(r"<svg\b[^>]*>")
SIZE = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')
EMPTY_GROUP = re.compile(r"<g[^>]*></g>|<g[^>]*/>")
HEAVY = re.compile(r'<text([^>]*?)font-family="[^"]*"([^>]*?)font-weight="(?:600|bold)"')
PNG_SCALE = 2.0


@lru_cache(maxsize=1)
def _renderer() -> Any:
    import vl_convert

    with resources.as_file(resources.files("reports").joinpath("static/font")) as folder:
        vl_convert.register_font_directory(str(Path(folder)))
    return vl_convert


def draw(spec: dict[str, Any], *, name: str, title: str, finding: str) -> str:
    """The chart as SVG that carries its own type, a title and the finding in words.

    `name` must be unique in a document: ids are made from it.
    """
    return tidy(_renderer().vegalite_to_svg(spec), name=name, title=title, finding=finding)


def tidy(svg: str, *, name: str, title: str, finding: str) -> str:
    """Shorter numbers, like paths joined, hatching put in, text alternatives added."""
    svg = CLASS.sub("", svg)
    svg = LONG_NUMBER.sub(lambda found: f"{float(found[0]):.1f}".removesuffix(".0"), svg)
    for _ in range(3):
        svg = EMPTY_GROUP.sub("", svg)
    svg = _joined(svg)
    size = SIZE.search(svg)
    width, height = size.groups() if size else ("0", "0")
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" font-family="{FONT}, sans-serif" aria-labelledby="{name}-t {name}-d">'
        f'<title id="{name}-t">{escape(title)}</title><desc id="{name}-d">{escape(finding)}</desc>'
    )
    if HATCH.lower() in svg.lower():
        head += _hatching(name)
        svg = re.sub(re.escape(HATCH), f"url(#{name}-h)", svg, flags=re.IGNORECASE)
    return OPEN_TAG.sub(lambda _: head, svg, count=1)


def _joined(svg: str) -> str:
    """Neighbouring paths of the same look as one path."""
    out: list[str] = []
    at, look, data = 0, None, ""
    for found in MERGEABLE.finditer(svg):
        touching = found.start() == at
        if touching and found[2] == look and "M" in found[1][:1]:
            data += found[1]
        else:
            if look is not None:
                out.append(f'<path d="{data}"{look}/>')
            out.append(svg[at : found.start()])
            look, data = found[2], found[1]
        at = found.end()
    if look is not None:
        out.append(f'<path d="{data}"{look}/>')
    return "".join(out) + svg[at:]


def _hatching(name: str) -> str:
    return (
        f'<defs><pattern id="{name}-h" width="5" height="5" patternUnits="userSpaceOnUse">'
        f'<path d="M-1,6L6,-1M-1,1L1,-1M4,6L6,4" stroke="{SOFT}" stroke-width="1" fill="none"/></pattern></defs>'
    )


def heavy_by_family(svg: str) -> str:
    """The SVG for a renderer that knows each weight of a font as a family of its own."""
    return HEAVY.sub(rf'<text\1font-family="{FONT} SemiBold, {FONT}"\2', svg)


def png(svg: str) -> bytes:
    """The chart as PNG, for mail readers that show no SVG."""
    drawn: bytes = _renderer().svg_to_png(heavy_by_family(svg), scale=PNG_SCALE)
    return drawn
