"""Colours, marks and type of every chart.

Palette: states at least 17 apart (CIEDE2000) in normal sight and under simulated protan, deutan and tritan sight
(Machado et al. 2009, full severity); each state also has a shape, so that grey print works.
"""

from __future__ import annotations

from typing import Any, Final

INK, SOFT, RULE, PAPER, GREY = "#1B2733", "#55606C", "#D5D9DE", "#FFFFFF", "#F2F4F6"
STATE_COLOUR: Final = {"due": "#9B1B30", "soon": "#C97B00", "holds": "#2A78B5", "unsure": "#5E646E"}
STATE_TEXT: Final = {"due": "#9B1B30", "soon": "#8A5200", "holds": "#1F4E79", "unsure": "#55606C"}
STATE_TINT: Final = {"due": "#FBECEE", "soon": "#FEF5E5", "holds": "#FFFFFF", "unsure": "#F2F4F6"}
STATE_SHAPE: Final = {"due": "triangle-up", "soon": "diamond", "holds": "circle", "unsure": "circle"}
LINE, FAN_WIDE, FAN_HALF, FAN_EDGE, LIMIT = "#1F4E79", "#C9DEEF", "#94BEDF", "#4F86B5", "#9B1B30"
HATCH: Final = "#FEDCBA"
"""Stands for the hatching until the SVG is tidied; never seen."""
PART_COLOUR: Final = {
    "self_discharge": "#E3E6EA",
    "sleep": "#3D4B5C",
    "coprocessor": "#2A78B5",
    "wake_timer": "#7FB6D9",
    "wake_band": "#C97B00",
    "wake_other": "#F0DFBC",
    "radio": "#9B1B30",
    "unaccounted": HATCH,
}
PART_EDGE: Final = {
    "self_discharge": "#7C8691",
    "wake_timer": "#4F86B5",
    "wake_other": "#8A6A2A",
    "unaccounted": "#55606C",
}
CAUSE_COLOUR: Final = {
    "band_low": "#2A78B5",
    "band_high": "#C97B00",
    "timer": "#8A94A0",
    "reset": "#9B1B30",
    "other": "#3D4B5C",
}
FONT = "Source Sans 3"


def config(font_size: int = 12) -> dict[str, Any]:
    """The Vega-Lite configuration of all charts."""
    text = {"font": FONT, "fontSize": font_size, "color": INK}
    axis = {
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": font_size,
        "titleFontSize": font_size,
        "labelColor": SOFT,
        "titleColor": SOFT,
        "titleFontWeight": "normal",
        "domainColor": SOFT,
        "tickColor": SOFT,
        "gridColor": RULE,
        "gridWidth": 1,
        "tickSize": 4,
    }
    return {
        "font": FONT,
        "aria": False,
        "background": None,
        "view": {"stroke": None},
        "text": text,
        "axis": axis,
        "legend": {"disable": True},
        "padding": 2,
    }


def themed(chart: Any) -> dict[str, Any]:
    """The chart's definition with this theme."""
    spec: dict[str, Any] = chart.to_dict(validate=False)
    spec["config"] = config()
    return spec
