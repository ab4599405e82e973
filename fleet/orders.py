"""The life of an order: states, the moves allowed, and what a wake record proves about it.

drafted → sealed → posted → on trial → in force, with the side ends refused, lapsed, overtaken, unsure, lost (with the
node's flash) and put back. Only a record moves an order to on trial or in force; never a broker's acknowledgement.
"""

from __future__ import annotations

import msgspec

from fleet.errors import OrderError
from fleet.messages import BandSettings
from fleet.words import OrderState

MOVES: dict[OrderState, frozenset[OrderState]] = {
    OrderState.DRAFTED: frozenset({OrderState.SEALED, OrderState.LAPSED, OrderState.OVERTAKEN}),
    OrderState.SEALED: frozenset({OrderState.POSTED, OrderState.LAPSED, OrderState.OVERTAKEN, OrderState.LOST}),
    OrderState.POSTED: frozenset(
        {
            OrderState.ON_TRIAL, OrderState.IN_FORCE, OrderState.REFUSED, OrderState.LAPSED, OrderState.OVERTAKEN,
            OrderState.UNSURE, OrderState.LOST,
        }
    ),
    OrderState.ON_TRIAL: frozenset(
        {OrderState.IN_FORCE, OrderState.PUT_BACK, OrderState.OVERTAKEN, OrderState.UNSURE, OrderState.LOST}
    ),
    OrderState.IN_FORCE: frozenset({OrderState.PUT_BACK, OrderState.OVERTAKEN, OrderState.UNSURE, OrderState.LOST}),
    OrderState.UNSURE: frozenset({OrderState.OVERTAKEN, OrderState.LOST, OrderState.LAPSED, OrderState.IN_FORCE}),
    OrderState.REFUSED: frozenset({OrderState.OVERTAKEN}),
    OrderState.LAPSED: frozenset(
        {OrderState.OVERTAKEN, OrderState.ON_TRIAL, OrderState.IN_FORCE, OrderState.UNSURE}
    ),  # the node had taken it in time, and only its record came late
    OrderState.OVERTAKEN: frozenset(),
    OrderState.LOST: frozenset(),
    OrderState.PUT_BACK: frozenset({OrderState.OVERTAKEN}),
}  # fmt: skip
OPEN = frozenset({OrderState.SEALED, OrderState.POSTED, OrderState.ON_TRIAL})
SAME_WITHIN = 1e-6


class Order(msgspec.Struct, frozen=True, kw_only=True):
    """One order for one node. Times are seconds since 1970 UTC; `word` is hex, empty for a node that reports none."""

    node: str
    state: OrderState
    state_at: float
    settings: BandSettings
    rev: int = 0
    word: str = ""
    issued: float = 0.0
    until: float = 0.0
    until_wake: int | None = None
    digest: str = ""
    sealed_by_tool: bool = True
    trial: bool = True
    detail: str = ""

    def moved(self, state: OrderState, *, at: float, detail: str = "") -> Order:
        """The order in another state.

        Raises
        ------
        OrderError
            If no such move is allowed.
        """
        if state not in MOVES[self.state]:
            allowed = ", ".join(sorted(MOVES[self.state])) or "nothing"
            raise OrderError(f"{self.node}: order {self.rev} is {self.state}; it may become {allowed}, not {state}.")
        return msgspec.structs.replace(self, state=state, state_at=at, detail=detail)


class Proof(msgspec.Struct, frozen=True, kw_only=True):
    """What one wake record says about orders: `set`, `life`, and when it arrived."""

    at: float
    settings: BandSettings
    word: str | None = None
    life_wakes: int | None = None


def observe(order: Order, proof: Proof) -> Order:
    """The order after one more record of its node; the same order if the record proves nothing new.

    Notes
    -----
    A record with another flash word means that the order was lost with the node's memory. The number applied, not the
    number seen, puts an order on trial or in force, and only with the digest of the very bytes that were sealed (a node
    without digests: with equal settings). A number seen but not applied, or applied with another digest, is `unsure`.
    An order that lapsed here may have been taken in time: only the number applied, of the same flash, tells so.
    """
    if order.state is OrderState.LAPSED:
        same_flash = not order.word or proof.word is None or proof.word.lower() == order.word.lower()
        return _applied(order, proof.settings, proof.at) if same_flash and proof.settings.rev == order.rev else order
    if order.state not in {OrderState.POSTED, OrderState.ON_TRIAL, OrderState.IN_FORCE, OrderState.UNSURE}:
        return order
    if order.word and proof.word is not None and proof.word.lower() != order.word.lower():
        return order.moved(OrderState.LOST, at=proof.at, detail=f"flash word is {proof.word}, was {order.word}")
    told = proof.settings
    if told.rev == order.rev:
        return _applied(order, told, proof.at)
    if told.rev > order.rev:
        return _to(order, OrderState.OVERTAKEN, proof.at, f"the node runs order {told.rev}")
    if order.state in {OrderState.ON_TRIAL, OrderState.IN_FORCE}:
        return order.moved(OrderState.PUT_BACK, at=proof.at, detail=f"the node is back on order {told.rev}")
    if told.seen is not None and told.seen >= order.rev:
        return _to(order, OrderState.UNSURE, proof.at, f"the node has seen {told.seen} and runs {told.rev}")
    return order


def expire(order: Order, *, now: float, life_wakes: int | None = None, grace_s: float = 0.0) -> Order:
    """The order, lapsed if nobody took it before its time or its wake count ran out."""
    if order.state not in {OrderState.SEALED, OrderState.POSTED}:
        return order
    if order.until and now > order.until + grace_s:
        return order.moved(OrderState.LAPSED, at=now, detail="its time ran out before the node took it")
    if order.until_wake is not None and life_wakes is not None and life_wakes > order.until_wake:
        return order.moved(OrderState.LAPSED, at=now, detail=f"its wake limit {order.until_wake} has passed")
    return order


def refuse(order: Order, *, at: float, why: str) -> Order:
    """The order, refused by its node. An answer can only stop an order, never prove one."""
    return order.moved(OrderState.REFUSED, at=at, detail=why) if order.state is OrderState.POSTED else order


def same_settings(left: BandSettings, right: BandSettings) -> bool:
    """Whether two sets of settings ask for the same, to the precision of a small node's float.

    >>> same_settings(BandSettings(lo=0.8, hi=2.0), BandSettings(lo=0.80000001, hi=2.0))
    True
    """
    pairs = [
        (getattr(left, name), getattr(right, name)) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
    ]
    return all(_near(one, other) for one, other in pairs)


def _near(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= SAME_WITHIN * max(1.0, abs(one), abs(other))


def _applied(order: Order, told: BandSettings, at: float) -> Order:
    proven = told.digest.lower() == order.digest if told.digest is not None else same_settings(order.settings, told)
    if not proven:
        return _to(order, OrderState.UNSURE, at, f"order {order.rev} is applied, but not the one that was sealed here")
    state = OrderState.ON_TRIAL if told.trial else OrderState.IN_FORCE
    return _to(order, state, at, "")


def _to(order: Order, state: OrderState, at: float, detail: str) -> Order:
    return (
        order if state is order.state or state not in MOVES[order.state] else order.moved(state, at=at, detail=detail)
    )
