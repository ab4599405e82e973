"""A drawn chart as the pages carry it: wide, narrow for phones, and the finding in words."""

from __future__ import annotations

from typing import TypedDict


class Picture(TypedDict):
    """SVG texts; `narrow` is "" where one size serves all."""

    name: str
    finding: str
    svg: str
    narrow: str


def both(name: str, finding: str, svg: str, narrow: str = "") -> Picture:
    """A picture of these drawings."""
    return Picture(name=name, finding=finding, svg=svg, narrow=narrow)
