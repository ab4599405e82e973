"""How to read a cell of the wall: one cell enlarged, each mark named."""

from __future__ import annotations

from datetime import date
from xml.sax.saxutils import escape

from reports.charts.theme import FONT, INK, SOFT, STATE_TEXT, STATE_TINT
from reports.model import NodeLine, VisitDay
from reports.say import Say, shown
from reports.wall import AHEAD_D, BACK_D, BASE, TOP, plot, state_mark, weeks_to_p10

SCALE = 2.4
WIDTH, HEIGHT = 400, 160


def key_line(lines: list[NodeLine]) -> NodeLine | None:
    """The node that shows most: the widest fan that reaches zero within the cell."""
    drawn = [line for line in lines if len(line.fan) > 1 and line.days_left_p50 is not None]
    good = [line for line in drawn if 60 < (line.days_left_p50 or 0.0) < 250 and len(line.history) > 3]
    return max(good or drawn, key=_width_d, default=None)


def _width_d(line: NodeLine) -> float:
    return (line.days_left_p90 or 0.0) - (line.days_left_p10 or 0.0)


def key_cell(line: NodeLine, visits: tuple[VisitDay, VisitDay], today: date, say: Say) -> str:
    """The enlarged cell as SVG."""
    right, low = 100 * SCALE, (BASE + 5) * SCALE
    today_x = BACK_D / (BACK_D + AHEAD_D) * right
    shown_weeks = escape(weeks_to_p10(line) or say("wall.no_fit"))
    texts = [
        _text(30, 26, shown(line.node, 16), INK, size=19),
        _text(right - 4, 26, shown_weeks, STATE_TEXT[line.state], size=19, anchor="end", weight=600),
        _text(right + 10, 25, say("wall.key_weeks"), SOFT),
        _text(today_x + 5, TOP * SCALE + 9, say("wall.key_today"), SOFT),
        _text(right + 10, BASE * SCALE + 6, say("wall.key_visits"), SOFT),
        _text(0, low + 17, say("wall.key_span", back=BACK_D // 7, ahead=AHEAD_D // 7), SOFT),
    ]
    title = escape(say("wall.key_title"))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="img" font-family="{FONT}, sans-serif"><title>{title}</title>'
        f'<path d="M0,0h{right:g}v{low:g}h-{right:g}z" fill="{STATE_TINT[line.state]}"/>'
        + state_mark(line.state, 14, 19, SCALE * 0.85)
        + f'<g transform="scale({SCALE})">{plot(line, visits, today)}</g>'
        + "".join(texts)
        + "</svg>"
    )


def _text(x: float, y: float, text: str, fill: str, *, size: int = 13, anchor: str = "start", weight: int = 400) -> str:
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size}" fill="{fill}" text-anchor="{anchor}" '
        f'font-weight="{weight}">{escape(text)}</text>'
    )
