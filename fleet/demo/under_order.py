"""A demo node that is sent an order: taken at its next heard wake, tried, kept or fallen back from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from fleet.demo.flats import Flats
from fleet.demo.lives import NodeLife
from fleet.demo.nodes import State, Stretch, after, live
from fleet.demo.order_reader import RefusedError, check, in_force, read_order
from fleet.demo.records import told
from fleet.demo.wire_out import Message, flash_word
from fleet.messages import BandSettings, OrderAnswer
from fleet.wire_order import OrderKind, RetuneOrder
from fleet.words import Cause

ANSWER_S = 0.8  # a node answers so long after its record
GOES_BACK = (int(Cause.BROWNOUT), int(Cause.WATCHDOG))


@dataclass(frozen=True)
class NodeKey:
    """A node's own copy of its order key."""

    key_id: bytes
    key: bytes


@dataclass(frozen=True)
class OnTrial:
    """A node under new settings, until the wake before the last of its trial."""

    order: RetuneOrder
    before: BandSettings  # what it falls back to
    ends_at_count: int  # its lifetime wakes at the end of the trial


def heard(flats: Flats, name: str, payload: bytes, topic: str, *, keys: Mapping[str, NodeKey]) -> RetuneOrder:
    """The order as the node reads it from the bytes on its topic.

    Raises
    ------
    RefusedError
        If the node would not take it.
    """
    word = flash_word(flats.seed, name)
    if not flats.specs[name].profile.orders.signed:
        return read_order(payload, topic, key=None, word=word)
    if name not in keys:
        raise RefusedError("the node has no key")
    return read_order(payload, topic, key=(keys[name].key, keys[name].key_id), word=word)


def take(
    flats: Flats, name: str, payload: bytes, *, root: str, keys: Mapping[str, NodeKey], until_s: float
) -> tuple[NodeLife, list[Message], OnTrial | None]:
    """The node lives until its first heard wake, at which it takes or refuses the order."""
    life, wake_s = _until_heard(flats, name, until_s)
    if wake_s is None:
        return life, [], None
    state = flats.states[name]
    topic = f"{root}/{name}/retune"
    seen = max(state.settings.seen or 0, state.settings.rev)
    try:
        order = heard(flats, name, payload, topic, keys=keys)
        check(order, seen=seen, t_s=wake_s, life_wakes=state.life_wakes)
        settings = in_force(order, payload, flats.specs[name].profile)
    except RefusedError as why:
        return life, [_answer(root, name, wake_s, OrderAnswer(why.rev, "refused", str(why)))], None
    trial = OnTrial(order, state.settings, state.life_wakes + (order.trial_wakes or 0)) if settings.trial else None
    flats.states[name] = replace(state, settings=settings)
    return life, [_answer(root, name, wake_s, OrderAnswer(order.rev, "taken"))], trial


def on_trial(flats: Flats, name: str, trial: OnTrial, until_s: float, *, spare_count: int = 0) -> tuple[NodeLife, bool]:
    """The node lives on its trial; True if it has gone back to what it ran before.

    It goes back by itself after the last wake of the trial, or after a brown-out or watchdog reset on trial. With
    `spare_count` it stops so many wakes before the end: time enough to be kept.
    """
    life = _up_to_count(flats, name, trial.ends_at_count - spare_count, until_s)
    wakes = life.stretches[0].wakes
    state = flats.states[name]
    was_reset = len(wakes) > 0 and int(wakes.cause[-1]) in GOES_BACK
    if not was_reset and state.life_wakes < trial.ends_at_count:
        return life, False
    back = msgspec.structs.replace(trial.before, seen=trial.order.rev, trial=False)
    flats.states[name] = replace(flats.states[name], settings=back)
    return life, True


def kept(
    flats: Flats, name: str, trial: OnTrial, payload: bytes | None, *, root: str, keys: Mapping[str, NodeKey],
    until_s: float,
) -> list[NodeLife]:  # fmt: skip
    """What becomes of the trial: kept by the tool's word at the next heard wake, or given up by the node itself."""
    lives = []
    if payload is not None:
        life, wake_s = _until_heard(flats, name, until_s)
        lives.append(life)
        state = flats.states[name]
        if (
            wake_s is not None
            and state.life_wakes <= trial.ends_at_count
            and _is_keep(flats, name, payload, trial, root=root, keys=keys)
        ):
            flats.states[name] = replace(state, settings=msgspec.structs.replace(state.settings, trial=False))
            return lives
    lives.append(on_trial(flats, name, trial, until_s)[0])
    return lives


def _is_keep(
    flats: Flats, name: str, payload: bytes, trial: OnTrial, *, root: str, keys: Mapping[str, NodeKey]
) -> bool:
    try:
        order = heard(flats, name, payload, f"{root}/{name}/retune", keys=keys)
    except RefusedError:
        return False
    return order.kind is OrderKind.KEEP and order.rev == trial.order.rev


def _until_heard(flats: Flats, name: str, until_s: float) -> tuple[NodeLife, float | None]:
    """The node's life until its first wake that is heard at once; None if there is none."""
    stretch = live(flats.worlds[name], flats.parts[name], flats.states[name], until_s)
    found = np.flatnonzero(stretch.wakes.arrives & (stretch.wakes.late_s == 0))
    if not found.size:
        return _cut(flats, name, stretch, None), None
    return _cut(flats, name, stretch, int(found[0]) + 1), float(stretch.wakes.t_s[found[0]])


def _up_to_count(flats: Flats, name: str, life_wakes: int, until_s: float) -> NodeLife:
    stretch = live(flats.worlds[name], flats.parts[name], flats.states[name], until_s)
    resets = np.flatnonzero(np.isin(stretch.wakes.cause, GOES_BACK))
    first_reset = int(resets[0]) + 1 if resets.size else len(stretch.wakes)
    count = min(max(life_wakes - flats.states[name].life_wakes, 0), first_reset)
    return _cut(flats, name, stretch, count if count < len(stretch.wakes) else None)


def _cut(flats: Flats, name: str, stretch: Stretch, count: int | None) -> NodeLife:
    """Keep the first wakes of a stretch, and let the node stand there."""
    if count is not None:
        wakes = stretch.wakes.up_to(count)
        stretch = Stretch(stretch.begun, wakes, _stood(stretch.begun, after(stretch.begun, wakes)))
    flats.states[name] = stretch.ended
    world, parts = flats.worlds[name], flats.parts[name]
    return NodeLife(world, parts, (stretch,), (told(world, parts, stretch),))


def _stood(begun: State, ended: State) -> State:
    return ended if ended.at_s > begun.at_s else replace(ended, at_s=begun.at_s)


def _answer(root: str, name: str, wake_s: float, answer: OrderAnswer) -> Message:
    told_answer = {key: value for key, value in msgspec.structs.asdict(answer).items() if value is not None}
    return wake_s + ANSWER_S + 3.0, f"{root}/{name}/answer", msgspec.json.encode(told_answer)
