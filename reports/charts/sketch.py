"""The sketch map: nodes by state in kilometres, site names, a scale bar; no tiles, nothing fetched."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import altair as alt

from reports.charts.theme import INK, SOFT, STATE_COLOUR, STATE_SHAPE, themed
from reports.model import NodeLine
from reports.say import Say, shown

KM_PER_DEGREE = 111.195
"""Mean great-circle length of a degree, from the mean earth radius 6371.0088 km (IUGG)."""
NICE_KM = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)
FEW_SPOTS = 80
DOTS = 1000
"""Above so many nodes only the most urgent of each site is drawn."""
ORDER = ("unsure", "holds", "soon", "due")


def positioned(lines: Sequence[NodeLine]) -> list[NodeLine]:
    """Nodes whose position is known."""
    return [line for line in lines if line.latitude is not None and line.longitude is not None]


def sketch(lines: Sequence[NodeLine], say: Say, width: int) -> dict[str, Any]:
    """The definition, in a local equal-distance projection about the middle of the nodes."""
    here = positioned(lines)
    lat0 = sum(line.latitude or 0.0 for line in here) / len(here)
    lon0 = sum(line.longitude or 0.0 for line in here) / len(here)
    shrink = math.cos(math.radians(lat0))

    def km(line: NodeLine) -> tuple[float, float]:
        east = ((line.longitude or 0.0) - lon0 + 180) % 360 - 180
        return east * KM_PER_DEGREE * shrink, ((line.latitude or 0.0) - lat0) * KM_PER_DEGREE

    places = {line.node_id: km(line) for line in here}
    xs, ys = [p[0] for p in places.values()], [p[1] for p in places.values()]
    span = max(max(xs) - min(xs), (max(ys) - min(ys)) * 2.0, 0.1) * 1.15
    middle_x, middle_y = (max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2
    height = round(min(width * 0.5, max(width * 0.36, width * ((max(ys) - min(ys)) / span + 0.3))))
    drawn = sorted(here, key=lambda line: ORDER.index(line.state))
    if len(drawn) > DOTS:
        drawn = list({line.site: line for line in drawn}.values())
    dots = [{"x": places[line.node_id][0], "y": places[line.node_id][1], "state": line.state} for line in drawn]
    bar_km = max((size for size in NICE_KM if size <= span / 4), default=NICE_KM[0])
    left, low = middle_x - span / 2, middle_y - span * height / width / 2
    x = alt.X("x:Q", scale=alt.Scale(domain=[left, left + span], nice=False), axis=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=[low, low + span * height / width], nice=False), axis=None)
    layers = [
        _dots(dots, x, y),
        *_names(here, places, x, y, span / width),
        *_scale(say, x, y, corner=(left + span * 0.03, low + span * 0.03), bar_km=bar_km),
    ]
    return themed(alt.layer(*layers).properties(width=width, height=height))


def _dots(rows: list[dict[str, Any]], x: alt.X, y: alt.Y) -> alt.Chart:
    states, spots = list(STATE_COLOUR), len({(row["x"], row["y"]) for row in rows})
    shapes = alt.Scale(domain=states, range=[STATE_SHAPE[state] for state in states])
    colours = alt.Scale(domain=states, range=list(STATE_COLOUR.values()))
    marks = alt.Chart(alt.Data(values=rows)).mark_point(
        filled=True, size=110 if spots < FEW_SPOTS else 42, opacity=0.9, stroke="white", strokeWidth=0.6
    )
    return marks.encode(
        x=x,
        y=y,
        shape=alt.Shape("state:N", scale=shapes, legend=None),
        color=alt.Color("state:N", scale=colours, legend=None),
    )


def _names(
    here: Sequence[NodeLine], places: dict[int, tuple[float, float]], x: alt.X, y: alt.Y, km_per_px: float
) -> list[alt.Chart]:
    by_site: dict[str, list[tuple[float, float]]] = {}
    for line in here:
        by_site.setdefault(line.site, []).append(places[line.node_id])
    above: list[dict[str, Any]] = []
    below: list[dict[str, Any]] = []
    for site, at in sorted(by_site.items(), key=lambda item: -max(p[1] for p in item[1])):
        row = {"x": sum(p[0] for p in at) / len(at), "y": max(p[1] for p in at), "name": shown(site, 22)}
        if all(abs(row["x"] - o["x"]) > km_per_px * 95 or abs(row["y"] - o["y"]) > km_per_px * 16 for o in above):
            above.append(row)
        else:
            below.append({**row, "y": min(p[1] for p in at)})
    return [
        alt.Chart(alt.Data(values=rows)).mark_text(dy=dy, fontWeight=600, color=INK).encode(x=x, y=y, text="name:N")
        for rows, dy in ((above, -12), (below, 14))
        if rows
    ]


def _scale(say: Say, x: alt.X, y: alt.Y, *, corner: tuple[float, float], bar_km: float) -> list[alt.Chart]:
    at = {"x": corner[0], "x2": corner[0] + bar_km, "y": corner[1]}
    km = say("sites.km", count=bar_km) if bar_km >= 1 else f"{bar_km * 1000:.0f} m"
    rows = alt.Data(values=[{**at, "text": km}])
    return [
        alt.Chart(rows).mark_rule(color=SOFT, strokeWidth=2).encode(x=x, x2="x2:Q", y=y),
        alt.Chart(rows).mark_text(align="left", dy=-9, color=SOFT).encode(x=x, y=y, text="text:N"),
    ]
