"""The sketch map: every node by state over a kilometre grid; site names, scale bar, north mark. Nothing is fetched."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt

from reports.charts.theme import GREY, INK, RULE, SOFT, STATE_COLOUR, STATE_SHAPE, themed
from reports.model import NodeLine
from reports.say import Say, shown

KM_PER_DEGREE = 111.195
"""Mean great-circle length of a degree, from the mean earth radius 6371.0088 km (IUGG)."""
NICE_KM = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)
DOTS = 1000
"""Above so many nodes only the most urgent of each site is drawn."""
CLOSE_PX, MARK_PX, MARKS_A_ROW = 34.0, 12.0, 8
"""A site smaller than `CLOSE_PX` on the map has its marks side by side, so that none hides another."""
ORDER = ("unsure", "holds", "soon", "due")
NORTH = "M0,-1L0.62,1L0,0.55L-0.62,1Z"
Background = Sequence[Sequence[tuple[float, float]]]
Spots = list[tuple[float, float, NodeLine]]


@dataclass(frozen=True)
class Frame:
    """A local equal-distance projection about a middle, and the part of it that is drawn, in kilometres."""

    lat0: float
    lon0: float
    left_km: float
    low_km: float
    span_km: float
    width: int
    height: int

    @property
    def km_per_px(self) -> float:
        """Kilometres a pixel."""
        return self.span_km / self.width

    @property
    def high_km(self) -> float:
        """The upper edge."""
        return self.low_km + self.height * self.km_per_px

    def km(self, longitude: float, latitude: float) -> tuple[float, float]:
        """East and north of the middle."""
        return _east_north(longitude, latitude, self.lon0, self.lat0)


def positioned(lines: Sequence[NodeLine]) -> list[NodeLine]:
    """Nodes whose position is known."""
    return [line for line in lines if line.latitude is not None and line.longitude is not None]


def sketch(lines: Sequence[NodeLine], say: Say, width: int, background: Background = ()) -> dict[str, Any]:
    """The definition; background lines are cut at the frame."""
    here = positioned(lines)
    frame = _frame(here, width)
    bar_km = max((size for size in NICE_KM if size <= frame.span_km / 4), default=NICE_KM[0])
    low, high = frame.low_km, frame.high_km
    right = frame.left_km + frame.span_km
    x = alt.X("x:Q", scale=alt.Scale(domain=[frame.left_km, right], nice=False), axis=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=[low, high], nice=False), axis=None)
    spots = _spots(here, frame)
    layers = [
        *_grid(frame, bar_km, x, y),
        *_lines(background, frame, x, y),
        _marks(spots, x, y),
        *_names(spots, frame, x, y),
        *_scale(say, frame, x, y, bar_km=bar_km),
        *_north(frame),
    ]
    chart = alt.layer(*layers).properties(width=width, height=frame.height)
    return themed(chart.properties(view=alt.ViewBackground(fill=GREY, stroke=RULE)))


def _east_north(longitude: float, latitude: float, lon0: float, lat0: float) -> tuple[float, float]:
    east = (longitude - lon0 + 180) % 360 - 180
    return east * KM_PER_DEGREE * math.cos(math.radians(lat0)), (latitude - lat0) * KM_PER_DEGREE


def _frame(here: Sequence[NodeLine], width: int) -> Frame:
    """Room for all nodes, with a margin for names and marks."""
    lat0 = sum(line.latitude or 0.0 for line in here) / len(here)
    lon0 = sum(line.longitude or 0.0 for line in here) / len(here)
    places = [_east_north(line.longitude or 0.0, line.latitude or 0.0, lon0, lat0) for line in here]
    (west, east), (south, north) = ((min(p[i] for p in places), max(p[i] for p in places)) for i in (0, 1))
    shape = 0.46 if width > 400 else 0.95
    margin_px = 52
    height = round(width * shape)
    by_width = (east - west) / (width - 3 * margin_px)
    by_height = (north - south) / (height - 2 * margin_px)
    km_per_px = max(by_width, by_height, 0.1 / width)
    return Frame(
        lat0=lat0,
        lon0=lon0,
        left_km=(west + east) / 2 - km_per_px * width / 2,
        low_km=(south + north) / 2 - km_per_px * height / 2,
        span_km=km_per_px * width,
        width=width,
        height=height,
    )


def _spots(here: Sequence[NodeLine], frame: Frame) -> Spots:
    """Where each mark goes; the marks of a small site stand in rows about its middle, urgent ones first."""
    by_site: dict[str, list[NodeLine]] = {}
    for line in sorted(here, key=lambda line: -ORDER.index(line.state)):
        by_site.setdefault(line.site, []).append(line)
    out: Spots = []
    for members in by_site.values():
        at = [frame.km(line.longitude or 0.0, line.latitude or 0.0) for line in members]
        extent = max(max(p[i] for p in at) - min(p[i] for p in at) for i in (0, 1))
        if len(here) > DOTS:
            out.append((*at[0], members[0]))
        elif extent <= CLOSE_PX * frame.km_per_px and len(members) > 1:
            out += _rows(members, (sum(p[0] for p in at) / len(at), sum(p[1] for p in at) / len(at)), frame.km_per_px)
        else:
            out += [(*place, line) for place, line in zip(at, members, strict=True)]
    return out


def _rows(members: Sequence[NodeLine], middle: tuple[float, float], km_per_px: float) -> Spots:
    rows = -(-len(members) // MARKS_A_ROW)
    columns = -(-len(members) // rows)
    step = MARK_PX * km_per_px
    return [
        (
            middle[0] + (index % columns - (columns - 1) / 2) * step,
            middle[1] - (index // columns - (rows - 1) / 2) * step,
            line,
        )
        for index, line in enumerate(members)
    ]


def _grid(frame: Frame, step_km: float, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Thin lines a scale bar apart."""

    def steps(low: float, high: float) -> list[float]:
        return [at * step_km for at in range(math.ceil(low / step_km), math.floor(high / step_km) + 1)]

    upright = [{"x": at} for at in steps(frame.left_km, frame.left_km + frame.span_km)]
    level = [{"y": at} for at in steps(frame.low_km, frame.high_km)]
    look = {"color": "#FFFFFF", "strokeWidth": 1.2}
    charts = []
    if upright:
        charts.append(alt.Chart(alt.Data(values=upright)).mark_rule(**look).encode(x=x))
    if level:
        charts.append(alt.Chart(alt.Data(values=level)).mark_rule(**look).encode(y=y))
    return charts


def _lines(background: Background, frame: Frame, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    rows = []
    for number, line in enumerate(background):
        for step, (longitude, latitude) in enumerate(line):
            east, north = frame.km(longitude, latitude)
            rows.append({"x": round(east, 4), "y": round(north, 4), "line": number, "step": step})
    if not rows:
        return []
    drawn = alt.Chart(alt.Data(values=rows)).mark_line(color="#8A94A0", strokeWidth=1.2, clip=True)
    return [drawn.encode(x=x, y=y, detail="line:N", order="step:Q")]


def _marks(spots: Spots, x: alt.X, y: alt.Y) -> alt.Chart:
    rows = [
        {"x": east, "y": north, "state": line.state}
        for east, north, line in sorted(spots, key=lambda spot: ORDER.index(spot[2].state))
    ]
    states = list(STATE_COLOUR)
    shapes = alt.Scale(domain=states, range=[STATE_SHAPE[state] for state in states])
    colours = alt.Scale(domain=states, range=list(STATE_COLOUR.values()))
    marks = alt.Chart(alt.Data(values=rows)).mark_point(
        filled=True, size=72, opacity=1, stroke="white", strokeWidth=0.6
    )
    return marks.encode(
        x=x,
        y=y,
        shape=alt.Shape("state:N", scale=shapes, legend=None),
        color=alt.Color("state:N", scale=colours, legend=None),
    )


def _names(spots: Spots, frame: Frame, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    by_site: dict[str, list[tuple[float, float]]] = {}
    for east, north, line in spots:
        by_site.setdefault(line.site, []).append((east, north))
    above: list[dict[str, Any]] = []
    below: list[dict[str, Any]] = []
    for site, at in sorted(by_site.items(), key=lambda item: -max(p[1] for p in item[1])):
        row = {"x": sum(p[0] for p in at) / len(at), "y": max(p[1] for p in at), "name": shown(site, 22)}
        far = frame.km_per_px * 95, frame.km_per_px * 26
        if all(abs(row["x"] - other["x"]) > far[0] or abs(row["y"] - other["y"]) > far[1] for other in above):
            above.append(row)
        else:
            below.append({**row, "y": min(p[1] for p in at)})
    return [
        alt.Chart(alt.Data(values=rows)).mark_text(dy=dy, fontWeight=600, color=INK).encode(x=x, y=y, text="name:N")
        for rows, dy in ((above, -13), (below, 15))
        if rows
    ]


def _scale(say: Say, frame: Frame, x: alt.X, y: alt.Y, *, bar_km: float) -> list[alt.Chart]:
    """A bar with ends, and how long it is."""
    left, at = frame.left_km + 16 * frame.km_per_px, frame.low_km + 16 * frame.km_per_px
    text = say("sites.km", count=bar_km) if bar_km >= 1 else f"{bar_km * 1000:.0f} m"
    bar = alt.Data(values=[{"x": left, "x2": left + bar_km, "y": at, "text": text}])
    ends = alt.Data(values=[{"x": left, "y": at}, {"x": left + bar_km, "y": at}])
    return [
        alt.Chart(bar).mark_rule(color=INK, strokeWidth=1.6).encode(x=x, x2="x2:Q", y=y),
        alt.Chart(ends).mark_tick(orient="vertical", color=INK, thickness=1.6, size=9).encode(x=x, y=y),
        alt.Chart(bar).mark_text(align="left", dy=-11, color=SOFT).encode(x=x, y=y, text="text:N"),
    ]


def _north(frame: Frame) -> list[alt.Chart]:
    """A needle with its letter, top right."""
    one = alt.Data(values=[{"letter": "N"}])
    at = alt.value(frame.width - 20)
    return [
        alt.Chart(one)
        .mark_point(shape=NORTH, size=210, filled=True, color=INK, opacity=1)
        .encode(x=at, y=alt.value(34)),
        alt.Chart(one).mark_text(color=INK, fontWeight=600).encode(x=at, y=alt.value(16), text="letter:N"),
    ]
