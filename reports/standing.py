"""Nodes of which odds would say less than the plain fact: silent since a day, or almost flat already."""

from __future__ import annotations

from reports.model import NodeLine
from reports.say import Say

FLAT_NOW_D = 1.0


def almost_flat(line: NodeLine) -> bool:
    """Whether even odds to be flat lie within a day."""
    return line.days_left_p50 is not None and line.days_left_p50 < FLAT_NOW_D


def silent_flat(line: NodeLine) -> bool:
    """Whether a node is silent and its battery most likely the reason."""
    return line.silent_since_day is not None and almost_flat(line)


def standing(line: NodeLine, say: Say) -> str:
    """The fact in two to four words; "" where the odds say it."""
    if line.silent_since_day is not None:
        return say("front.silent_since", day=say.day(line.silent_since_day, year=False))
    return say("front.almost_flat") if almost_flat(line) else ""
