"""From a draft to sealed bytes: the next number, its validity, the form that the node's set-up asks for."""

from __future__ import annotations

import msgspec

from fleet.errors import OrderError
from fleet.messages import BandSettings
from fleet.orders import Order
from fleet.units import S_PER_D
from fleet.wire_order import OrderKind, RetuneOrder, digest_of, plain_order, seal
from fleet.words import OrderState

UNTIL_WAKE_MARGIN = 4.0
REV_MOST = 2**32 - 1


class Seal(msgspec.Struct, frozen=True, kw_only=True):
    """What sealing needs to know: key (None for plain), topic, number, validity, wakes expected until then."""

    topic: str
    rev: int
    now: float
    valid_d: float
    trial_wakes: int | None
    key: bytes | None
    key_id: bytes = b""
    word: str = ""
    life_wakes: int | None = None
    wakes_per_d: float | None = None


def sealed(order: Order, form: Seal) -> tuple[Order, bytes]:
    """The sealed order and its bytes; the bytes never change after this.

    Raises
    ------
    OrderError
        If the order is not a draft or its number is spent.
    """
    if not 0 < form.rev <= REV_MOST:
        raise OrderError(f"{order.node}: rev {form.rev} can't be sealed; expected 1 to {REV_MOST}.")
    until_wake = until_wake_of(form)
    content = RetuneOrder(
        kind=OrderKind.SETTINGS,
        rev=form.rev,
        issued=int(form.now),
        until=int(form.now + form.valid_d * S_PER_D),
        word=bytes.fromhex(form.word),
        until_wake=until_wake,
        settings=_bare(order.settings),
        trial_wakes=form.trial_wakes,
    )
    frame = _frame(content, form)
    done = order.moved(OrderState.SEALED, at=form.now)
    done = msgspec.structs.replace(
        done,
        rev=form.rev,
        word=form.word,
        issued=float(content.issued),
        until=float(content.until),
        until_wake=until_wake,
        digest=digest_of(frame),
        trial=form.trial_wakes is not None,
    )
    return done, frame


def sealed_keep(order: Order, form: Seal) -> bytes:
    """The keep word for an order on trial: the same number, no settings.

    Raises
    ------
    OrderError
        If the order is not on trial.
    """
    if order.state is not OrderState.ON_TRIAL:
        raise OrderError(f"{order.node}: order {order.rev} is {order.state}; only one on trial can be kept.")
    content = RetuneOrder(
        kind=OrderKind.KEEP,
        rev=order.rev,
        issued=int(form.now),
        until=int(form.now + form.valid_d * S_PER_D),
        word=bytes.fromhex(form.word),
        until_wake=until_wake_of(form),
    )
    return _frame(content, form)


def until_wake_of(form: Seal) -> int | None:
    """Lifetime wake count after which the order is void; None for a node that reports no `life`.

    Four times the wakes expected within its validity: a node that chatters must not outrun its own cure.
    """
    if form.life_wakes is None:
        return None
    expected = max(form.wakes_per_d or 24.0, 1.0) * form.valid_d
    return form.life_wakes + int(UNTIL_WAKE_MARGIN * expected) + 1


def _bare(settings: BandSettings) -> BandSettings:
    return msgspec.structs.replace(settings, rev=0, seen=None, digest=None, trial=False)


def _frame(content: RetuneOrder, form: Seal) -> bytes:
    if form.key is None:
        return plain_order(content)
    return seal(content, key=form.key, key_id=form.key_id, topic=form.topic)
