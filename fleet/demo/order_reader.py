"""What a demo node makes of the bytes on its retune topic: read strictly, checked, or refused."""

from __future__ import annotations

from msgspec.structs import replace

from fleet.errors import MessageError
from fleet.messages import BandSettings
from fleet.profiles.profile import Profile
from fleet.wire_order import OrderKind, RetuneOrder, digest_of, open_order, open_plain


class RefusedError(Exception):
    """The node does not take the order; says why in a few words."""

    def __init__(self, why: str, rev: int = 0) -> None:
        super().__init__(why)
        self.rev = rev


def read_order(frame: bytes, topic: str, *, key: tuple[bytes, bytes] | None, word: str) -> RetuneOrder:
    """The order in these bytes. `key` is the node's key and its id; None for a node of plain orders.

    Raises
    ------
    RefusedError
        If one byte of it is not as it must be, or it was made for another flash.
    """
    try:
        if key is None:
            return open_plain(frame, topic)
        order = open_order(frame, key=key[0], key_id=key[1], topic=topic)
    except MessageError as why:
        raise RefusedError(str(why)) from why
    if order.word != bytes.fromhex(word):
        raise RefusedError("made for another flash", order.rev)
    return order


def check(order: RetuneOrder, *, seen: int, t_s: float, life_wakes: int) -> None:
    """Refuse an order that is old or void.

    Raises
    ------
    RefusedError
        If it carries no settings, its number was seen before, or it is void by time or by wakes.
    """
    if order.kind is not OrderKind.SETTINGS or order.settings is None:
        raise RefusedError("nothing is on trial", order.rev)
    if order.rev <= seen:
        raise RefusedError(f"rev {order.rev} is not above {seen}", order.rev)
    if t_s > order.until:
        raise RefusedError(f"void: until {order.until} has passed", order.rev)
    if order.until_wake is not None and life_wakes > order.until_wake:
        raise RefusedError(f"void: wake {order.until_wake} has passed", order.rev)


def in_force(order: RetuneOrder, frame: bytes, profile: Profile) -> BandSettings:
    """The settings that a node reports once it has taken this order.

    Raises
    ------
    RefusedError
        If the order carries none.
    """
    if order.settings is None:
        raise RefusedError("no settings", order.rev)
    if not profile.orders.signed:
        return replace(order.settings, rev=order.rev)
    trial = profile.orders.trial and bool(order.trial_wakes)
    return replace(order.settings, rev=order.rev, seen=order.rev, digest=digest_of(frame), trial=trial)
