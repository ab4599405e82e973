"""What one batch hands to the store, and what the store answers: typed values, no frames."""

from __future__ import annotations

from typing import NamedTuple

from fleet.messages import OrderAnswer, Receipt, WakeRecord
from fleet.words import TimeFrom


class ArrivedRecord(NamedTuple):
    """One wake record with what only its receiver knows.

    `t` is the believed time of the wake and `time_from` where it came from; `record.t` stays as the node sent it.
    `reading` is the banded reading alone. `extra` is JSON text of what has no column: further readings, the histogram,
    the cause as sent where it is none of ours, unknown keys; None if there is nothing.
    """

    node: str
    record: WakeRecord
    arrived: float
    t: float
    time_from: TimeFrom
    reading: float | None = None
    extra: str | None = None


class ArrivedAnswer(NamedTuple):
    """What a node said it did with an order."""

    node: str
    answer: OrderAnswer
    arrived: float


class Unreadable(NamedTuple):
    """A payload, or one element of an array, that is kept aside as it came. `reason` is a `words.SetAsideReason`."""

    arrived: float
    topic: str
    raw: bytes
    reason: str
    detail: str
    origin: str | None = None


class LinkEvent(NamedTuple):
    """Something that happened to the broker link, such as a session that was not kept: a gap is possible."""

    at: float
    what: str
    detail: str | None = None


class Written(NamedTuple):
    """What a committed batch did.

    `receipts` holds one receipt for every (node, boot) of the batch, also where every record was a repeat; publish
    them. `new_nodes` are names never heard before.
    """

    stored_count: int
    duplicate_count: int
    set_aside_count: int
    receipts: list[tuple[str, Receipt]]
    new_nodes: list[str]
