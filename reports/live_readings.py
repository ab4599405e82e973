"""One node's readings over time as SVG: every pixel column's lowest and highest, the band drawn in. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt

from reports.charts.theme import FONT, LINE, RULE, SOFT

FloatArray = npt.NDArray[np.float64]
LEFT, RIGHT, TOP, BOTTOM = 46.0, 8.0, 10.0, 22.0
BAND_FILL, BAND_EDGE = "#C97B00", "#8A5200"


@dataclass(frozen=True)
class BandSpan:
    """A band in force from one moment to another; None where a side has no threshold."""

    since: float
    until: float
    lo: float | None
    hi: float | None


def reduced(t: FloatArray, y: FloatArray, since: float, until: float, columns: int) -> list[tuple[int, float, float]]:
    """Column, lowest and highest value of every column that has any; no peak is lost.

    Parameters
    ----------
    t
        Moments. [s]
    y
        Values; NaN is left out. shape (n,)

    Examples
    --------
    >>> reduced(np.array([0.0, 1.0, 9.0]), np.array([5.0, 7.0, 2.0]), 0.0, 10.0, 2)
    [(0, 5.0, 7.0), (1, 2.0, 2.0)]
    """
    inside = np.isfinite(y) & (t >= since) & (t < until)
    if not inside.any():
        return []
    column = ((t[inside] - since) / (until - since) * columns).astype(int)
    low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
    np.minimum.at(low, column, y[inside])
    np.maximum.at(high, column, y[inside])
    return [(int(at), float(low[at]), float(high[at])) for at in np.flatnonzero(np.isfinite(low))]


def ticks(low: float, high: float, wanted: int = 4) -> list[float]:
    """Round values between two ends.

    >>> ticks(0.0, 1.0)
    [0.0, 0.5, 1.0]
    >>> ticks(2490.0, 2730.0)
    [2500.0, 2600.0, 2700.0]
    """
    span = max(high - low, 1e-9)
    step = 10.0 ** np.floor(np.log10(span / wanted))
    step = next(step * m for m in (1, 2, 5, 10) if span / (step * m) <= wanted)
    first = np.ceil(low / step - 1e-9)
    return [round(float(k * step), 10) + 0.0 for k in np.arange(first, np.floor(high / step + 1e-9) + 1)]


def time_marks(since: float, until: float, width: float) -> list[tuple[float, str]]:
    """Moments worth a label, and the label, in UTC."""
    span_d = (until - since) / 86_400.0
    wanted = max(2.0, width / 90.0)
    steps_d = (1 / 24, 3 / 24, 6 / 24, 0.5, 1, 2, 7, 14, 28, 56, 91, 182, 365)
    step_d = next((step for step in steps_d if span_d / step <= wanted), 365)
    at = datetime.fromtimestamp(since, UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    out = []
    while at.timestamp() < until:
        if at.timestamp() >= since:
            out.append((at.timestamp(), f"{at:%H:%M}" if step_d < 1 and at.hour else f"{at.day} {at:%b}"))
        at += timedelta(days=step_d)
    return out


@dataclass(frozen=True)
class Frame:
    """Where a plot stands: its ends in time and value, its size in pixels."""

    since: float
    until: float
    low: float
    high: float
    width: float
    height: float

    def x(self, t: float) -> float:
        """Pixels from the left."""
        return LEFT + (t - self.since) / (self.until - self.since) * (self.width - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Pixels from the top."""
        share = (value - self.low) / (self.high - self.low)
        return self.height - BOTTOM - share * (self.height - TOP - BOTTOM)


def readings_svg(
    t: FloatArray,
    y: FloatArray,
    *,
    since: float,
    until: float,
    bands: Sequence[BandSpan] = (),
    title: str,
    width: int = 720,
    height: int = 200,
) -> str:
    """The plot; a text in place of it where there is nothing to draw."""
    columns = int(width - LEFT - RIGHT)
    drawn = reduced(t, y, since, until, columns)
    inside = [span for span in bands if span.until > since and span.since < until]
    values = [value for _, low, high in drawn for value in (low, high)]
    if not values:
        return ""
    values += [edge for span in inside for edge in (span.lo, span.hi) if edge is not None]
    pad = max((max(values) - min(values)) * 0.06, 1e-6)
    frame = Frame(since, until, min(values) - pad, max(values) + pad, float(width), float(height))
    said = f"{title}: lowest {min(v[1] for v in drawn):.4g}, highest {max(v[2] for v in drawn):.4g}."
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" font-family="{FONT}, sans-serif"><title>{escape(said)}</title>'
        + _axes(frame)
        + "".join(_band(frame, span) for span in inside)
        + _line(frame, drawn, columns)
        + "</svg>"
    )


def _axes(frame: Frame) -> str:
    out = []
    for value in ticks(frame.low, frame.high):
        y = frame.y(value)
        out.append(f'<path d="M{LEFT:g},{y:.1f}H{frame.width - RIGHT:g}" stroke="{RULE}" fill="none"/>')
        out.append(_text(LEFT - 6, y + 4, f"{value:g}", "end"))
    base = frame.height - BOTTOM
    out.append(f'<path d="M{LEFT:g},{base:g}H{frame.width - RIGHT:g}" stroke="{SOFT}" fill="none"/>')
    for at, label in time_marks(frame.since, frame.until, frame.width):
        x = frame.x(at)
        out.append(f'<path d="M{x:.1f},{base:g}v5" stroke="{SOFT}" fill="none"/>')
        if x < frame.width - 34:
            out.append(_text(x + 3, base + 16, label, "start"))
    return "".join(out)


def _band(frame: Frame, span: BandSpan) -> str:
    left, right = frame.x(max(span.since, frame.since)), frame.x(min(span.until, frame.until))
    top = TOP if span.hi is None else frame.y(span.hi)
    low = frame.height - BOTTOM if span.lo is None else frame.y(span.lo)
    area = f"M{left:.1f},{top:.1f}H{right:.1f}V{low:.1f}H{left:.1f}z"
    edges = "".join(
        f'<path d="M{left:.1f},{y:.1f}H{right:.1f}" stroke="{BAND_EDGE}" stroke-dasharray="4 3" fill="none"/>'
        for y, edge in ((top, span.hi), (low, span.lo))
        if edge is not None
    )
    return f'<path d="{area}" fill="{BAND_FILL}" fill-opacity=".12"/>{edges}'


def _line(frame: Frame, drawn: Sequence[tuple[int, float, float]], columns: int) -> str:
    """A bar from lowest to highest in each column, joined where the next one is near."""
    bars, line = [], []
    gap = max(3, columns // 40)
    before: int | None = None
    for column, low, high in drawn:
        x = LEFT + column + 0.5
        if high > low:
            bars.append(f"M{x:.1f},{frame.y(low):.1f}V{frame.y(high):.1f}")
        middle = frame.y((low + high) / 2)
        line.append(f"{'L' if before is not None and column - before <= gap else 'M'}{x:.1f},{middle:.1f}h.01")
        before = column
    return (
        f'<path d="{"".join(bars)}" stroke="{LINE}" stroke-width="1" stroke-opacity=".55" fill="none"/>'
        f'<path d="{"".join(line)}" stroke="{LINE}" stroke-width="1.4" stroke-linecap="round" '
        'stroke-linejoin="round" fill="none"/>'
    )


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="11" fill="{SOFT}" text-anchor="{anchor}">{escape(text)}</text>'


def band_spans(history: Sequence[dict[str, Any]], since: float, until: float) -> list[BandSpan]:
    """Bands in force over a span of time from the settings a node reported; the first holds from the start."""
    rows = sorted((row for row in history if row.get("first_at") is not None), key=lambda row: float(row["first_at"]))
    spans = []
    for index, row in enumerate(rows):
        start = since if index == 0 else float(row["first_at"])
        end = float(rows[index + 1]["first_at"]) if index + 1 < len(rows) else until
        if end > start and (row["lo"] is not None or row["hi"] is not None):
            spans.append(BandSpan(start, end, row["lo"], row["hi"]))
    return spans
