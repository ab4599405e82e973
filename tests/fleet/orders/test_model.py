"""Exhaustive search of the life of an order at small bounds: every rule holds, every guard is needed."""

from __future__ import annotations

import pytest

from .model import GUARDS, Bounds, search

FOUND_IN = {"keep_number": Bounds(orders=2, wakes=4, flying=1)}


def test_every_rule_holds_at_small_bounds() -> None:
    """Two orders, three wakes, one wipe, one record in the air that may come late and twice."""
    states, trace = search(Bounds(orders=2, wakes=3, flying=1))
    assert trace == []
    assert states > 30_000


@pytest.mark.parametrize("guard", GUARDS)
def test_a_guard_taken_away_is_missed(guard: str) -> None:
    """RFC 9124 sections 4.3.1 and 4.3.3 for number and expiry; the others are of the order's own life cycle."""
    _, trace = search(FOUND_IN.get(guard, Bounds(orders=2, wakes=3, flying=2)), without=guard)
    assert trace, f"nothing breaks without the guard `{guard}`"
    assert len(trace) <= 12


@pytest.mark.slow
@pytest.mark.parametrize(
    ("bounds", "least"),
    [
        (Bounds(orders=2, wakes=3, flying=2), 150_000),
        (Bounds(orders=3, wakes=3, flying=1), 130_000),
        (Bounds(orders=2, wakes=4, flying=1), 90_000),
        (Bounds(orders=2, wakes=3, flying=1, wipes=2), 160_000),
        (Bounds(orders=3, wakes=2, flying=2), 70_000),
    ],
    ids=str,
)
def test_every_rule_holds_at_larger_bounds(bounds: Bounds, least: int) -> None:
    states, trace = search(bounds)
    assert trace == []
    assert states > least
