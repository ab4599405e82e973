"""The life of an order as a search: everything that a node, a broker and a bad day can do, in every order.

The ledger's part is the product's own (`fleet.orders_ledger.hear`, `next_rev`); the node's part is written down here as
the contract has it. A guard can be taken away, to see that the search finds out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

from msgspec.structs import replace

from fleet.errors import OrderError
from fleet.messages import BandSettings
from fleet.orders import Order, Proof, expire
from fleet.orders_ledger import NodeLedger, hear, next_rev
from fleet.words import OrderState

GUARDS = ("number", "word", "expiry", "no_trust_in_ack", "keep_number", "retired", "halt", "last_kept")
TRIAL_WAKES = 1
EMPTY = BandSettings()


class Message(NamedTuple):
    """What was posted; kind 1 settings, 2 keep."""

    kind: int
    rev: int
    word: str
    until_wake: int


class Node(NamedTuple):
    """The node's flash."""

    word: str = "a"
    wakes: int = 0
    seen: int = 0
    use: int = 0
    kept: int = 0
    before: int = 0
    left: int | None = None


class State(NamedTuple):
    """All there is, with what only an onlooker knows: highest applied, what was truly in force."""

    node: Node
    ledger: NodeLedger
    posted: frozenset[Message]
    flying: frozenset[tuple[str, int, int, int, bool]]
    applied: int = 0
    held: frozenset[tuple[str, int]] = frozenset()
    broken: str = ""


class Bounds(NamedTuple):
    """How far the search goes."""

    orders: int
    wakes: int
    flying: int
    wipes: int = 1


START = State(Node(), NodeLedger(node="n", word="a", life_wakes=0), frozenset(), frozenset())


def after(state: State, bounds: Bounds, without: str = "") -> Iterator[tuple[str, State]]:
    """Everything that can happen next."""
    yield from _tool(state, bounds, without)
    for report in state.flying:
        yield f"record {report} arrives", _heard(state, report, without)
        yield f"record {report} is lost", state._replace(flying=state.flying - {report})
    if state.node.wakes < bounds.wakes:
        yield from _wakes(state, bounds, without)
    if ord(state.node.word) - ord("a") < bounds.wipes:
        fresh = Node(word=chr(ord(state.node.word) + 1))
        yield "flash wiped", state._replace(node=fresh, applied=0)


def _tool(state: State, bounds: Bounds, without: str) -> Iterator[tuple[str, State]]:
    ledger = state.ledger
    asked = replace(ledger, halted=False) if without == "halt" else ledger
    if len(ledger.orders) < bounds.orders:
        try:
            rev = next_rev(asked)
        except OrderError:
            rev = 0
        if rev:
            word = ledger.word or ""
            limit = (ledger.life_wakes or 0) + 2
            new = Order(
                node="n",
                state=OrderState.POSTED,
                state_at=0.0,
                settings=EMPTY,
                rev=rev,
                word=word,
                until=1.0,
                digest=f"{rev}",
            )
            broken = "sealed after a halt" if ledger.halted else ""
            yield (
                f"order {rev} posted",
                state._replace(
                    ledger=replace(ledger, orders=(*ledger.orders, new)),
                    posted=state.posted | {Message(1, rev, word, limit)},
                    broken=broken,
                ),
            )
    for at, order in enumerate(ledger.orders):
        keep = Message(2, order.rev, order.word, 99)
        if order.state is OrderState.ON_TRIAL and not ledger.halted and keep not in state.posted:
            yield f"keep {order.rev} posted", state._replace(posted=state.posted | {keep})
        lapsed = replace(expire(order, now=2.0), detail="", state_at=0.0)
        if lapsed.state is not order.state:  # by the tool's clock: the node may have taken it, and its record is lost
            orders = (*ledger.orders[:at], lapsed, *ledger.orders[at + 1 :])
            yield f"order {order.rev} lapses", state._replace(ledger=replace(ledger, orders=orders))
        if without == "no_trust_in_ack" and order.state is OrderState.POSTED:
            believed = replace(order, state=OrderState.IN_FORCE)
            orders = (*ledger.orders[:at], believed, *ledger.orders[at + 1 :])
            yield "acknowledged", _judged(state._replace(ledger=replace(ledger, orders=orders)))
    if not ledger.halted and ledger.orders:
        yield "halted", state._replace(ledger=replace(ledger, halted=True))


def _heard(state: State, report: tuple[str, int, int, int, bool], without: str) -> State:
    """The record arrives and may arrive again: it stays in the air until it is lost."""
    word, wakes, seen, rev, trial = report
    told = BandSettings(rev=rev, seen=seen, digest=f"{rev}" if rev else None, trial=trial)
    proof = Proof(at=0.0, settings=told, word=word, life_wakes=wakes)
    before = state.ledger
    ledger = hear(replace(before, retired=frozenset()) if without == "retired" else before, proof)
    ledger = replace(
        ledger,
        orders=tuple(replace(order, detail="", state_at=0.0) for order in ledger.orders),
        retired=ledger.retired | before.retired,
    )
    broken = "the ledger went back to a retired flash" if ledger.word in before.retired else ""
    return _judged(state._replace(ledger=ledger, broken=broken))


def _judged(state: State) -> State:
    for order in state.ledger.orders:
        if order.state is OrderState.IN_FORCE and (order.word, order.rev) not in state.held:
            return state._replace(broken=f"order {order.rev} is in force in the ledger alone")
    return state


def _wakes(state: State, bounds: Bounds, without: str) -> Iterator[tuple[str, State]]:
    node = state.node._replace(wakes=state.node.wakes + 1)
    for cause in ("timer", "brownout") if node.left is not None else ("timer",):
        woken = _counted(node, cause, without)
        yield f"wakes by {cause}", _told(state, woken, bounds)
        if cause == "brownout":
            continue
        for message in state.posted:  # the retained one, or any that somebody kept and sends again
            taken, broken = _takes(state, woken, message, without)
            if taken == woken:
                continue
            top = max(state.applied, taken.use) if message.kind == 1 else state.applied
            told = _told(state._replace(applied=top), taken, bounds)
            yield f"wakes and takes {message}", told._replace(broken=broken or told.broken)
            if message.kind == 1:
                spent = woken._replace(seen=max(woken.seen, message.rev))
                yield f"dies after the first write of {message}", _told(state, spent, bounds)


def _counted(node: Node, cause: str, without: str) -> Node:
    if node.left is None:
        return node
    if node.left == 0 or cause == "brownout":
        back = node.before if without == "last_kept" else node.kept
        return node._replace(use=back, kept=back, left=None)
    return node._replace(left=node.left - 1)


def _takes(state: State, node: Node, message: Message, without: str) -> tuple[Node, str]:
    """The node's flash after a message, and the rule that was broken by taking it."""
    if message.word != node.word and without != "word":
        return node, ""
    if node.wakes > message.until_wake and without != "expiry":
        return node, ""
    if message.kind == 2:
        fits = node.left is not None and (message.rev == node.use or without == "keep_number")
        broken = "kept by the word for another order" if fits and message.rev != node.use else ""
        return (node._replace(kept=node.use, left=None) if fits else node), broken
    if message.rev <= node.seen and without != "number":
        return node, ""
    broken = ""
    if message.word != node.word:
        broken = "an order from before the flash was wiped"
    elif message.rev <= state.applied:
        broken = "an older order after a newer one"
    elif node.wakes > message.until_wake:
        broken = "an order past its wakes"
    return node._replace(seen=message.rev, use=message.rev, before=node.use, left=TRIAL_WAKES), broken


def _told(state: State, node: Node, bounds: Bounds) -> State:
    """The node is asleep again; its record is in the air. What it runs is looked at."""
    report = (node.word, node.wakes, node.seen, node.use, node.left is not None)
    flying = state.flying | {report}
    held, broken = state.held, ""
    if node.left is None:
        kept = any(one.kind == 2 and one.rev == node.use and one.word == node.word for one in state.posted)
        if node.use and not kept:
            broken = f"runs order {node.use} unkept and not on trial"
        held = held | {(node.word, node.use)}
    return state._replace(
        node=node, flying=flying if len(flying) <= bounds.flying else state.flying, held=held, broken=broken
    )


def search(bounds: Bounds, without: str = "", most: int = 2_000_000) -> tuple[int, list[str]]:
    """States seen, and the shortest way to a broken rule (empty if none is)."""
    came: dict[State, tuple[State, str] | None] = {START: None}
    queue = deque([START])
    while queue and len(came) < most:
        state = queue.popleft()
        for event, then in after(state, bounds, without):
            if then in came:
                continue
            came[then] = (state, event)
            if then.broken:
                return len(came), _trace(came, then)
            queue.append(then)
    return len(came), []


def _trace(came: dict[State, tuple[State, str] | None], state: State) -> list[str]:
    steps = [state.broken]
    link = came[state]
    while link is not None:
        steps.append(link[1])
        link = came[link[0]]
    return steps[::-1]
