"""The wall's small cells as plain SVG paths: hundreds of them would take a chart engine too long.

Each cell carries its own type and a title; nothing is styled from outside.
"""

from __future__ import annotations

from datetime import date
from xml.sax.saxutils import escape

from reports.charts.fan import fan_points
from reports.charts.theme import FAN_EDGE, FAN_HALF, FONT, INK, LINE, SOFT, STATE_COLOUR, STATE_TEXT, STATE_TINT
from reports.model import NodeLine, VisitDay
from reports.say import Say, shown

WIDTH, HEIGHT, TOP, BASE = 100.0, 56.0, 17.0, 51.0
BACK_D, AHEAD_D = 182, 364
MARK = {
    "due": "M{x},{y}m0,-3.6l3.6,6.6h-7.2z",
    "soon": "M{x},{y}m0,-3.8l3.8,3.8l-3.8,3.8l-3.8,-3.8z",
    "holds": "M{x},{y}m-3,0a3,3 0 1,0 6,0a3,3 0 1,0 -6,0z",
    "unsure": "M{x},{y}m-2.6,0a2.6,2.6 0 1,0 5.2,0a2.6,2.6 0 1,0 -5.2,0z",
}
Points = list[tuple[float, float]]


def state_mark(state: str, x: float, y: float, scale: float = 1.0) -> str:
    """The mark of a state: triangle, diamond, dot or ring."""
    path = MARK[state].format(x=0, y=0)
    look = (
        f'fill="none" stroke="{STATE_COLOUR[state]}" stroke-width="1.6"'
        if state == "unsure"
        else f'fill="{STATE_COLOUR[state]}"'
    )
    turn = f"translate({x:g},{y:g})" + (f" scale({scale:g})" if scale != 1.0 else "")
    return f'<path d="{path}" transform="{turn}" {look}/>'


def weeks_to_p10(line: NodeLine) -> str:
    """Weeks until one chance in ten to be flat; 52+ behind a year; "" where not known."""
    if line.days_left_p10 is None or line.state == "unsure":
        return ""
    weeks = int(line.days_left_p10 // 7)
    return "52+" if weeks >= 52 else str(weeks)


def cell(line: NodeLine, visits: tuple[VisitDay, VisitDay], today: date, say: Say, *, titled: bool = True) -> str:
    """One node as a small SVG."""
    weeks = weeks_to_p10(line)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        f'font-family="{FONT}, sans-serif">'
        + (f"<title>{escape(alternative(line, say))}</title>" if titled else "")
        + (f'<path d="M0,0h100v56h-100z" fill="{STATE_TINT[line.state]}"/>' if line.state != "holds" else "")
        + state_mark(line.state, 6, 8.2)
        + f'<text x="12.5" y="11.6" font-size="9.5" fill="{INK}">{escape(shown(line.node, 13))}</text>'
        + f'<text x="98.5" y="11.6" font-size="9.5" text-anchor="end" fill="{STATE_TEXT[line.state]}" '
        + f'font-weight="{600 if line.state in ("due", "soon") else 400}">{weeks or escape(say("wall.no_fit"))}</text>'
        + plot(line, visits, today)
        + "</svg>"
    )


def plot(line: NodeLine, visits: tuple[VisitDay, VisitDay], today: date) -> str:
    """History, fan, today and visits of one cell."""
    day0 = (today - date(1970, 1, 1)).days
    past = thinned([(_x(day - day0), _y(level)) for day, level in line.history if -BACK_D <= day - day0 <= 0])
    stroke = SOFT if line.state == "unsure" else LINE
    drawn = f'<path d="M0,{BASE:g}H100" stroke="{SOFT}" stroke-width=".5" fill="none"/>'
    if line.state != "unsure":
        drawn += _fan(line)
    if len(past) > 1:
        drawn += f'<path d="{_path(past)}" fill="none" stroke="{stroke}" stroke-width="1.3"/>'
    ticks = "".join(f"M{_x(v.ahead_d):.1f},{BASE:g}v4" for v in visits if 0 < v.ahead_d <= AHEAD_D)
    drawn += f'<path d="M{_x(0):.1f},{TOP:g}V{BASE + 4:g}" stroke="{INK}" stroke-width=".8" fill="none"/>'
    return drawn + (f'<path d="{ticks}" stroke="{INK}" stroke-width=".8" fill="none"/>' if ticks else "")


def _fan(line: NodeLine) -> str:
    points = [point for point in fan_points(line.fan) if point[0] <= AHEAD_D]
    if len(points) < 2:
        return ""
    low = thinned([(_x(p[0]), _y(p[1])) for p in points])
    high = thinned([(_x(p[0]), _y(p[5])) for p in points])
    area = _path(low) + "L" + _path(high[::-1])[1:] + "z"
    return (
        f'<path d="{area}" fill="{FAN_HALF}" fill-opacity=".75"/>'
        f'<path d="{_path(low)}" fill="none" stroke="{FAN_EDGE}" stroke-width=".9"/>'
    )


def alternative(line: NodeLine, say: Say) -> str:
    """The cell in words."""
    if line.state == "unsure":
        return say("wall.alt_none", node=shown(line.node))
    return say("wall.alt", node=shown(line.node), state=say(f"state.{line.state}"), weeks=weeks_to_p10(line) or "–")


def _x(ahead_d: float) -> float:
    return (ahead_d + BACK_D) / (BACK_D + AHEAD_D) * WIDTH


def _y(level: float) -> float:
    return BASE - min(1.0, max(0.0, level)) * (BASE - TOP)


def _path(points: Points) -> str:
    return "M" + "L".join(f"{x:.1f},{y:.1f}".replace(".0", "") for x, y in points)


def thinned(points: Points, within: float = 0.3) -> Points:
    """Fewer points, none left out farther than `within` from the line drawn (Douglas and Peucker 1973).

    >>> thinned([(0, 0), (1, 0.1), (2, 0)])
    [(0, 0), (2, 0)]
    """
    if len(points) < 3:
        return points
    (x0, y0), (x1, y1) = points[0], points[-1]
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 or 1e-9
    off = [abs((x1 - x0) * (y0 - y) - (x0 - x) * (y1 - y0)) / length for x, y in points[1:-1]]
    worst = max(range(len(off)), key=off.__getitem__)
    if off[worst] <= within:
        return [points[0], points[-1]]
    return thinned(points[: worst + 2], within)[:-1] + thinned(points[worst + 1 :], within)
