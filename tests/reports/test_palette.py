"""The palette's promises, computed again by another program: contrast, sight without one cone type, grey print."""

from __future__ import annotations

from itertools import combinations, pairwise

import pytest
from coloraide import Color

from reports.charts.theme import (
    CAUSE_COLOUR,
    GREY,
    HATCH,
    INK,
    PAPER,
    PART_COLOUR,
    PART_EDGE,
    SOFT,
    STATE_COLOUR,
    STATE_SHAPE,
    STATE_TEXT,
    STATE_TINT,
)
from reports.wall import state_mark

SIGHTS = ("normal", "protan", "deutan", "tritan")
STATES_APART, NEIGHBOURS_APART, GREY_APART = 17.0, 10.0, 2.0


def seen(colour: str, sight: str) -> Color:
    """The colour as seen; source: Machado, Oliveira and Fernandes, IEEE TVCG 15 (2009) 1291–1298, full severity."""
    return Color(colour) if sight == "normal" else Color(colour).filter(sight, 1.0, method="machado")


def apart(one: str, other: str, sight: str) -> float:
    """CIEDE2000; source: CIE 142:2001, as coloraide computes it."""
    return float(seen(one, sight).delta_e(seen(other, sight), method="2000"))


def contrast(one: str, other: str) -> float:
    """Source: WCAG 2.2, definition of contrast ratio, as coloraide computes it."""
    return float(Color(one).contrast(other, method="wcag21"))


def test_the_other_program_gives_a_published_distance() -> None:
    """Source: Sharma, Wu and Dalal, Color Research and Application 30 (2005) 21–30, table 1, pair 1: 2.0425."""
    one, other = Color("lab-d65", [50, 2.6772, -79.7751]), Color("lab-d65", [50, 0, -82.7485])
    assert one.delta_e(other, method="2000") == pytest.approx(2.0425, abs=5e-4)


@pytest.mark.parametrize("sight", SIGHTS)
def test_states_are_apart_in_every_sight(sight: str) -> None:
    found = {pair: apart(STATE_COLOUR[pair[0]], STATE_COLOUR[pair[1]], sight) for pair in combinations(STATE_COLOUR, 2)}
    assert {pair: round(far, 1) for pair, far in found.items() if far < STATES_APART} == {}


@pytest.mark.parametrize("sight", SIGHTS)
def test_neighbours_in_the_charge_bars_are_apart_in_every_sight(sight: str) -> None:
    """The last part is hatched, so that its colour carries nothing."""
    parts = [colour for colour in PART_COLOUR.values() if colour != HATCH]
    found = {pair: apart(*pair, sight) for pair in pairwise(parts)}
    assert {pair: round(far, 1) for pair, far in found.items() if far < NEIGHBOURS_APART} == {}


@pytest.mark.parametrize("sight", SIGHTS)
def test_causes_of_waking_are_apart_in_every_sight(sight: str) -> None:
    found = {pair: apart(*pair, sight) for pair in combinations(CAUSE_COLOUR.values(), 2)}
    assert {pair: round(far, 1) for pair, far in found.items() if far < NEIGHBOURS_APART} == {}


def test_texts_stand_out_from_what_is_behind_them() -> None:
    """WCAG 2.2, success criterion 1.4.3 (AA): 4.5 to 1."""
    on_paper = [INK, SOFT, *STATE_TEXT.values()]
    pairs = [(text, PAPER) for text in on_paper] + [(STATE_TEXT[state], STATE_TINT[state]) for state in STATE_TEXT]
    pairs += [(INK, GREY), (SOFT, GREY)]
    assert {pair: round(contrast(*pair), 2) for pair in pairs if contrast(*pair) < 4.5} == {}


def test_marks_and_bars_stand_out_from_what_is_behind_them() -> None:
    """WCAG 2.2, success criterion 1.4.11 (AA): 3 to 1; a pale part has an edge that reaches it."""
    drawn = [*STATE_COLOUR.values(), *CAUSE_COLOUR.values()]
    drawn += [PART_EDGE.get(part, colour) for part, colour in PART_COLOUR.items()]
    assert {colour: round(contrast(colour, PAPER), 2) for colour in drawn if contrast(colour, PAPER) < 3.0} == {}


def grey(colour: str) -> float:
    """CIE lightness of a grey print, 0 to 100."""
    return float(Color(colour).convert("lab-d65")["lightness"])


def test_states_differ_in_grey_print_by_shape() -> None:
    """Two states may share a shape on a map only if one is hollow or their greys are apart."""
    marks = {state: state_mark(state, 0, 0).replace(STATE_COLOUR[state], "") for state in STATE_COLOUR}
    assert len(set(marks.values())) == len(marks)
    alike = [pair for pair in combinations(STATE_SHAPE, 2) if STATE_SHAPE[pair[0]] == STATE_SHAPE[pair[1]]]
    assert [pair for pair in alike if abs(grey(STATE_COLOUR[pair[0]]) - grey(STATE_COLOUR[pair[1]])) < GREY_APART] == []


def test_neighbours_in_the_charge_bars_differ_in_grey_print() -> None:
    """By lightness, or by an edge between them; the table beneath gives every number."""
    parts = [part for part, colour in PART_COLOUR.items() if colour != HATCH]
    alike = [
        (one, other)
        for one, other in pairwise(parts)
        if abs(grey(PART_COLOUR[one]) - grey(PART_COLOUR[other])) < 5.0 and not {one, other} & set(PART_EDGE)
    ]
    assert alike == []
