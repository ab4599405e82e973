"""How the terminal view looks: a strip, one page of the table, one node. Names are Text, never markup."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from reports.live import LiveModel, age_text, is_stale
from reports.model import PARTS, STATES, NodeLine
from reports.say import say, shown
from reports.watch_keys import Seat

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.text import Text

STYLE = {"due": "bold red", "soon": "yellow", "holds": "blue", "unsure": "dim"}
MARK = {"due": "▲", "soon": "◆", "holds": "●", "unsure": "○"}
COLUMNS = ("node", "state", "P10", "P50", "P90", "charge", "heard", "flags", "site", "wakes/d", "order")
"""In the order in which they are left out from the right where the terminal is narrow."""
WIDTHS = (16, 8, 7, 7, 7, 6, 9, 24, 14, 7, 9)
FURNITURE_ROWS = 5
FAR_D = 3650.0


def columns_for(width: int) -> int:
    """How many columns have room, at least node and state.

    >>> columns_for(40), columns_for(80), columns_for(160)
    (3, 7, 11)
    """
    used, count = 0, 0
    for each in WIDTHS:
        used += each + 2
        if used > width + 2:
            break
        count += 1
    return max(2, count)


def cells(line: NodeLine, model: LiveModel, now_s: float) -> tuple[str, ...]:
    """One row as plain text, in the order of `COLUMNS`."""
    now = model.now.get(line.node_id)
    flags = ", ".join(flag.flag for flag in line.flags)
    words = say("en")
    return (
        shown(line.node, 32),
        line.state,
        _days(line.days_left_p10),
        _days(line.days_left_p50),
        _days(line.days_left_p90),
        words.level(line.charge_left),
        age_text(model.heard(line), now_s),
        flags or "–",
        shown(line.site, 32),
        words.short(line.wakes_per_day),
        (now.order if now is not None else None) or "–",
    )


def _days(days: float | None) -> str:
    if days is None:
        return "–"
    return "> 10 y" if days > FAR_D else f"{days:.0f} d"


def strip(model: LiveModel, now_s: float, trouble: str = "") -> Text:
    """The top line: counts by state, how old the knowledge is, and what is wrong with reading it."""
    from rich.text import Text

    line = Text(no_wrap=True, overflow="ellipsis")
    line.append(shown(model.report.title, 40), style="bold")
    for state in STATES:
        line.append(f"  {MARK[state]} {model.report.by_state.get(state, 0)} {state}", style=STYLE[state])
    heard = f"  last heard {age_text(model.last_heard, now_s)} ago" if model.last_heard else "  nothing heard"
    line.append(heard, style="dim")
    judged = f"  judged {age_text(model.analysed, now_s)} ago" if model.analysed else "  not yet judged"
    line.append(judged, style="reverse" if is_stale(model, now_s) else "dim")
    if trouble:
        line.append(f"  {trouble}", style="bold red")
    return line


def page(
    model: LiveModel, lines: list[NodeLine], seat: Seat, *, now_s: float, width: int, height: int, trouble: str = ""
) -> RenderableType:
    """The whole screen."""
    from rich.console import Group
    from rich.text import Text

    found = next((line for line in lines if line.node_id == seat.opened), None) if seat.opened is not None else None
    if found is not None:
        body: RenderableType = one_node(model, found, now_s)
        foot = "esc back · j/k next node · q back"
    else:
        rows = page_rows(height)
        first = (min(seat.row, max(0, len(lines) - 1)) // rows) * rows
        body = table(model, lines[first : first + rows], seat.row - first, now_s=now_s, width=width)
        span = f"{first + 1}–{min(first + rows, len(lines))} of {len(lines)}" if lines else "no node matches"
        foot = f"{span} · j/k move · enter open · / filter · esc clear · q quit"
    asked = Text("/" + seat.needle + ("▏" if seat.typing else ""), style="bold") if seat.typing or seat.needle else None
    return Group(
        strip(model, now_s, trouble), Text(), body, Text(), asked or Text(foot, style="dim", overflow="ellipsis")
    )


def page_rows(height: int) -> int:
    """Rows of the table that fit."""
    return max(1, height - FURNITURE_ROWS - 1)


def table(model: LiveModel, lines: list[NodeLine], at: int, *, now_s: float, width: int) -> Any:
    """One page of nodes."""
    from rich.table import Table
    from rich.text import Text

    count = columns_for(width)
    made = Table(box=None, pad_edge=False, expand=False, show_edge=False)
    for name, least in zip(COLUMNS[:count], WIDTHS[:count], strict=True):
        right = name in ("P10", "P50", "P90", "charge", "heard", "wakes/d")
        made.add_column(
            Text(name, style="dim"), justify="right" if right else "left", no_wrap=True, overflow="ellipsis",
            max_width=max(least, width // 4 if name in ("node", "flags") else least),
        )  # fmt: skip
    for index, line in enumerate(lines):
        row = [Text(text) for text in cells(line, model, now_s)[:count]]
        row[1] = Text(f"{MARK[line.state]} {line.state}", style=STYLE[line.state])
        made.add_row(*row, style="reverse" if index == at else "")
    return made


def one_node(model: LiveModel, line: NodeLine, now_s: float) -> Text:
    """What is known of one node, as lines."""
    from rich.text import Text

    words = say("en")
    out = Text(overflow="fold")
    out.append(f"{MARK[line.state]} {shown(line.node)}", style=STYLE[line.state])
    out.append(f"  {shown(line.site)} · {line.cells} × {shown(line.chemistry or 'cells not told')}\n\n")
    for name, text in facts(model, line, now_s):
        out.append(f"{name:<16}", style="dim")
        out.append(f"{text}\n")
    for flag in line.flags:
        what = words(f"flag.{flag.flag}") if words.has(f"flag.{flag.flag}") else flag.flag
        since = f", since {flag.since_day}" if flag.since_day else ""
        out.append(f"\n{what}{since}\n", style="bold" if not flag.under else "dim")
        out.append(f"  {shown(flag.evidence, 200)}\n")
    if line.advice is not None and line.advice.sentence:
        out.append("\nAdvice: ", style="bold")
        out.append(f"{shown(line.advice.sentence, 300)}\n")
    return out


def facts(model: LiveModel, line: NodeLine, now_s: float) -> list[tuple[str, str]]:
    """Name and value of each fact of a node."""
    words = say("en")
    now = model.now.get(line.node_id)
    heard = model.heard(line)
    at = f" ({datetime.fromtimestamp(heard, UTC):%Y-%m-%d %H:%M} UTC)" if heard is not None else ""
    span = " · ".join(
        f"{name} {_days(days)}"
        for name, days in (("P10", line.days_left_p10), ("P50", line.days_left_p50), ("P90", line.days_left_p90))
    )
    low, high = words.level(line.charge_left_lo), words.level(line.charge_left_hi)
    spent = [(part, line.parts.get(part)) for part in PARTS]
    most = sorted(((value, part) for part, value in spent if value), reverse=True)[:3]
    return [
        ("days left", span if line.days_left_p50 is not None else line.why_unsure or "not known"),
        ("charge left", f"{words.level(line.charge_left)} ({low} to {high})"),
        ("lasts", f"next visit {words.share(line.lasts_next)}, the one after {words.share(line.lasts_after)}"),
        ("wakes a day", words.short(line.wakes_per_day)),
        ("mAh a day", f"{words.short(line.drain_mah_per_day)}; most on "
         + (", ".join(f"{words(f'part.{part}')} {words.short(value)}" for value, part in most) or "–")),
        ("last heard", f"{age_text(heard, now_s)} ago{at}" if heard is not None else "never"),
        ("last cause", (now.cause if now else None) or "–"),
        ("battery", f"{now.batt_mv:.0f} mV" if now and now.batt_mv is not None else "–"),
        ("order", (now.order if now else None) or "none"),
    ]  # fmt: skip
