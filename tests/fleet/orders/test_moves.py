"""What a record proves about an order, and what nothing else can."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from fleet.errors import OrderError
from fleet.messages import BandSettings
from fleet.orders import MOVES, Order, Proof, expire, observe, refuse
from fleet.orders_seal import Seal, sealed, sealed_keep
from fleet.wire_order import OrderKind, open_order
from fleet.words import OrderState

WANTED = BandSettings(lo=0.8, hi=2.0, hyst=0.05, sleep_s=900.0, period_ms=100.0, avg=8)
ORDER = Order(
    node="n1", state=OrderState.POSTED, state_at=0.0, settings=WANTED, rev=8, word="ab" * 8, until=100.0, until_wake=50,
    digest="0123456789abcdef",
)  # fmt: skip


def heard(order: Order = ORDER, *, word: str = "ab" * 8, **told: Any) -> OrderState:
    return observe(order, Proof(at=1.0, settings=replace(WANTED, **told), word=word)).state


@pytest.mark.parametrize(
    ("told", "state"),
    [
        ({"rev": 8, "seen": 8, "digest": ORDER.digest, "trial": True}, OrderState.ON_TRIAL),
        ({"rev": 8, "seen": 8, "digest": ORDER.digest.upper()}, OrderState.IN_FORCE),
        ({"rev": 8, "seen": 8, "digest": "f" * 16}, OrderState.UNSURE),
        ({"rev": 8, "lo": 0.9}, OrderState.UNSURE),
        ({"rev": 8}, OrderState.IN_FORCE),
        ({"rev": 7, "seen": 8}, OrderState.UNSURE),
        ({"rev": 7, "seen": 7}, OrderState.POSTED),
        ({"rev": 9, "seen": 9}, OrderState.OVERTAKEN),
        ({"rev": 8, "digest": ORDER.digest, "word": "cd" * 8}, OrderState.LOST),
    ],
)
def test_a_record_moves_a_posted_order(told: dict[str, Any], state: OrderState) -> None:
    """Two tools that sealed different orders under one number: the digest tells (`unsure`)."""
    assert heard(**told) is state


@pytest.mark.parametrize(
    ("told", "state"),
    [
        ({"rev": 8, "seen": 8, "digest": ORDER.digest, "trial": True}, OrderState.ON_TRIAL),
        ({"rev": 8, "seen": 8, "digest": ORDER.digest}, OrderState.IN_FORCE),
        ({"rev": 8, "seen": 8, "digest": "f" * 16}, OrderState.UNSURE),
        ({"rev": 7, "seen": 8}, OrderState.LAPSED),
        ({"rev": 9, "seen": 9}, OrderState.LAPSED),
        ({"rev": 8, "digest": ORDER.digest, "word": "cd" * 8}, OrderState.LAPSED),
    ],
)
def test_a_late_record_proves_that_a_lapsed_order_was_taken_in_time(told: dict[str, Any], state: OrderState) -> None:
    """Its time ran out here before the record came; only the number applied, of the same flash, tells."""
    assert heard(replace(ORDER, state=OrderState.LAPSED), **told) is state


def test_settings_that_equal_the_old_ones_prove_nothing_without_the_number() -> None:
    """The first counter-example of the search: an undo looks applied before it is."""
    assert heard(rev=7, seen=7) is OrderState.POSTED


@pytest.mark.parametrize("state", [OrderState.ON_TRIAL, OrderState.IN_FORCE])
def test_a_node_back_on_older_settings_was_put_back(state: OrderState) -> None:
    assert heard(replace(ORDER, state=state), rev=7, seen=8) is OrderState.PUT_BACK


def test_an_answer_only_stops_an_order_that_waits() -> None:
    assert refuse(ORDER, at=1.0, why="x").state is OrderState.REFUSED
    running = replace(ORDER, state=OrderState.ON_TRIAL)
    assert refuse(running, at=1.0, why="x") is running


def test_an_order_lapses_by_time_and_by_wakes() -> None:
    assert expire(ORDER, now=100.0) is ORDER
    assert expire(ORDER, now=100.1).state is OrderState.LAPSED
    assert expire(ORDER, now=1.0, life_wakes=50) is ORDER
    assert expire(ORDER, now=1.0, life_wakes=51).state is OrderState.LAPSED


def test_every_move_not_allowed_is_refused() -> None:
    for state, allowed in MOVES.items():
        for other in set(OrderState) - allowed:
            with pytest.raises(OrderError, match="it may become"):
                replace(ORDER, state=state).moved(other, at=1.0)


def test_what_is_sealed_is_whole_numbered_and_opens() -> None:
    form = Seal(
        topic="m/n1/retune", rev=9, now=1000.0, valid_d=7.0, trial_wakes=6, key=bytes(32), key_id=b"n1-1",
        word="ab" * 8, life_wakes=100, wakes_per_d=10.0,
    )  # fmt: skip
    draft = replace(ORDER, state=OrderState.DRAFTED, rev=0, digest="")
    order, frame = sealed(draft, form)
    opened = open_order(frame, key=bytes(32), key_id=b"n1-1", topic="m/n1/retune")
    assert (opened.rev, opened.until, opened.until_wake) == (9, 1000 + 7 * 86_400, 100 + 4 * 70 + 1)
    assert (order.state, order.rev, opened.settings) == (OrderState.SEALED, 9, WANTED)
    with pytest.raises(OrderError):
        sealed(order, form)
    kept = sealed_keep(replace(order, state=OrderState.ON_TRIAL), form)
    assert open_order(kept, key=bytes(32), key_id=b"n1-1", topic="m/n1/retune").kind is OrderKind.KEEP
    with pytest.raises(OrderError, match="only one on trial"):
        sealed_keep(order, form)
