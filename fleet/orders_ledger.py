"""What the tool holds to be true of one node's orders, and what one more record changes in it.

Records come late, twice and out of order: those of a flash that was wiped since, or not newer than the last, prove
nothing. The model check and the job both go through `hear`.
"""

from __future__ import annotations

import msgspec

from fleet.errors import OrderError
from fleet.orders import OPEN, Order, Proof, observe


class NodeLedger(msgspec.Struct, frozen=True, kw_only=True):
    """The orders of one node, the flash word it was last heard with, words it has given up, its last wake count."""

    node: str
    orders: tuple[Order, ...] = ()
    word: str | None = None
    retired: frozenset[str] = frozenset()
    life_wakes: int | None = None
    halted: bool = False


def hear(ledger: NodeLedger, proof: Proof) -> NodeLedger:
    """The ledger after a record.

    Examples
    --------
    A wiped flash retires its word; a record of the old one that comes later changes nothing:

    >>> from fleet.messages import BandSettings
    >>> told = [Proof(at=0.0, settings=BandSettings(), word=word, life_wakes=n) for word, n in (("a", 9), ("b", 1))]
    >>> after = hear(hear(NodeLedger(node="n1"), told[0]), told[1])
    >>> after.word, sorted(after.retired), hear(after, told[0]) == after
    ('b', ['a'], True)
    """
    if is_stale(ledger, proof):
        return ledger
    orders = tuple(observe(order, proof) for order in ledger.orders)
    if proof.word is None:
        return msgspec.structs.replace(ledger, orders=orders)
    word = proof.word.lower()
    retired = ledger.retired | {ledger.word} if ledger.word not in (None, word) else ledger.retired
    return msgspec.structs.replace(ledger, orders=orders, word=word, retired=retired, life_wakes=proof.life_wakes)


def is_stale(ledger: NodeLedger, proof: Proof) -> bool:
    """Whether a record is of a flash life that has ended, or not newer than the last one heard."""
    if proof.word is None:
        return False
    word = proof.word.lower()
    if word in ledger.retired:
        return True
    known = ledger.life_wakes is not None and proof.life_wakes is not None
    return word == ledger.word and known and (proof.life_wakes or 0) <= (ledger.life_wakes or 0)


def next_rev(ledger: NodeLedger) -> int:
    """The number that the next order gets: above all that were ever given.

    Raises
    ------
    OrderError
        If the release was halted or an order is open.
    """
    if ledger.halted:
        raise OrderError(f"{ledger.node}: its release is held; nothing more is sealed in it. Draft anew after mending.")
    still = next((order for order in ledger.orders if order.state in OPEN), None)
    if still is not None:
        raise OrderError(f"{ledger.node}: order {still.rev} is {still.state}; one at a time. Wait for it or hold it.")
    return max((order.rev for order in ledger.orders), default=0) + 1
