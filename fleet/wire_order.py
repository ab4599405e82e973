"""An order as bytes: one strict form of COSE_Mac0 for signed nodes, JSON for those the set-up names as unsigned.

COSE_Mac0 with HMAC 256/256: RFC 9052 section 6.2 and 6.3, RFC 9053 section 3.1; CBOR: RFC 8949 section 4.2.1.
Exactly one byte string means an order; anything else is refused before its content is looked at.
"""

from __future__ import annotations

import hashlib
import hmac
import math
from enum import IntEnum
from typing import Any

import cbor2
import msgspec

from fleet.errors import MessageError
from fleet.messages import BandSettings
from fleet.words import SetAsideReason

ALGORITHM_HMAC_256 = 5
TAG_BYTES = 32
LARGEST_BYTES = 512
_HEAD = b"\xd1\x84"  # tag 17, array of four
_SETTING_KEYS = {1: "lo", 2: "hi", 3: "hyst", 4: "sleep_s", 5: "period_ms", 6: "avg"}
_TRIAL_WAKES = 7
_PLAIN_KIND = {1: "settings", 2: "keep"}


class OrderKind(IntEnum):
    """What an order asks for."""

    SETTINGS = 1
    KEEP = 2


class RetuneOrder(msgspec.Struct, frozen=True, kw_only=True):
    """The content of an order. `word` is empty, `until_wake` None for a node that reports no `life`."""

    kind: OrderKind
    rev: int
    issued: int
    until: int
    word: bytes = b""
    until_wake: int | None = None
    settings: BandSettings | None = None
    trial_wakes: int | None = None


def seal(order: RetuneOrder, *, key: bytes, key_id: bytes, topic: str) -> bytes:
    """The signed bytes of an order, valid on this topic alone.

    Raises
    ------
    MessageError
        If the key is not 32 bytes or the order can't be put into the contract's form.
    """
    if len(key) != TAG_BYTES:
        raise MessageError(
            f"{topic}: order key has {len(key)} bytes; expected 32. Make one with `wakeledger keys make`."
        )
    payload = _deterministic(_as_map(order))
    protected = protected_header(key_id)
    tag = mac(key, protected, topic, payload)
    return _HEAD + _byte_string(protected) + b"\xa0" + _byte_string(payload) + _byte_string(tag)


def open_order(frame: bytes, *, key: bytes, key_id: bytes, topic: str) -> RetuneOrder:
    """The order in signed bytes, if they are exactly what `seal` gives for this key, key id and topic.

    Raises
    ------
    MessageError
        If any byte differs.
    """
    prefix = _HEAD + _byte_string(protected_header(key_id)) + b"\xa0"
    if len(frame) > LARGEST_BYTES or not frame.startswith(prefix):
        raise _refused(topic, "is not of the one form that is taken")
    payload, rest = _taken(frame[len(prefix) :], topic)
    tag, end = _taken(rest, topic)
    if end or len(tag) != TAG_BYTES:
        raise _refused(topic, "does not end with a tag of 32 bytes")
    if not hmac.compare_digest(tag, mac(key, protected_header(key_id), topic, payload)):
        raise _refused(topic, "carries a tag that is not of this key and topic")
    return _from_payload(payload, topic)


def protected_header(key_id: bytes) -> bytes:
    """`{1: 5, 4: key id}` in its one form.

    >>> protected_header(b"n1-1").hex()
    'a2010504446e312d31'
    """
    return _deterministic({1: ALGORITHM_HMAC_256, 4: key_id})


def mac(key: bytes, protected: bytes, topic: str, payload: bytes) -> bytes:
    """HMAC-SHA-256 over the MAC_structure of RFC 9052 section 6.3, with the topic's bytes as external data."""
    structure = _deterministic(["MAC0", protected, topic.encode(), payload])
    return hmac.digest(key, structure, "sha256")


def digest_of(frame: bytes) -> str:
    """What a node reports of an applied order: the first 8 bytes of its SHA-256, in hex.

    >>> digest_of(b"")
    'e3b0c44298fc1c14'
    """
    return hashlib.sha256(frame).hexdigest()[:16]


def plain_order(order: RetuneOrder) -> bytes:
    """The unsigned JSON form, for nodes that the set-up names as unsigned."""
    value: dict[str, Any] = {
        "kind": _PLAIN_KIND[order.kind],
        "rev": order.rev,
        "issued": order.issued,
        "until": order.until,
    }
    if order.settings is not None:
        value["set"] = {name: getattr(order.settings, name) for name in _SETTING_KEYS.values()}
    return msgspec.json.encode(value)


def open_plain(frame: bytes, topic: str) -> RetuneOrder:
    """The order in unsigned JSON.

    Raises
    ------
    MessageError
        If it is not what `plain_order` gives.
    """
    try:
        value = msgspec.json.decode(frame)
        kind = next(number for number, word in _PLAIN_KIND.items() if word == value["kind"])
        settings = msgspec.convert(value["set"], BandSettings) if "set" in value else None
        return RetuneOrder(
            kind=OrderKind(kind),
            rev=int(value["rev"]),
            issued=int(value["issued"]),
            until=int(value["until"]),
            settings=settings,
        )
    except (msgspec.MsgspecError, KeyError, TypeError, ValueError, StopIteration) as why:
        raise _refused(topic, f"is not a plain order: {why}") from why


def _as_map(order: RetuneOrder) -> dict[int, Any]:
    content: dict[int, Any] = {1: int(order.kind), 2: order.rev, 3: order.word, 4: order.issued, 5: order.until}
    if order.until_wake is not None:
        content[6] = order.until_wake
    if order.kind is OrderKind.SETTINGS:
        if order.settings is None:
            raise MessageError(
                f"order {order.rev}: has no settings; expected all of {', '.join(_SETTING_KEYS.values())}."
            )
        values = {key: getattr(order.settings, name) for key, name in _SETTING_KEYS.items()}
        missing = [name for key, name in _SETTING_KEYS.items() if values[key] is None]
        if missing:
            raise MessageError(
                f"order {order.rev}: {missing[0]} is missing; an order always carries the whole settings."
            )
        content[7] = {key: _shortest(value) for key, value in values.items()}
        if order.trial_wakes is not None:
            content[7][_TRIAL_WAKES] = order.trial_wakes
    return content


def _shortest(value: float) -> float | int:
    """A whole number as an integer: shorter, and the same on every reader."""
    return int(value) if float(value).is_integer() else float(value)


def _from_payload(payload: bytes, topic: str) -> RetuneOrder:
    try:
        content = cbor2.loads(payload)
    except (cbor2.CBORDecodeError, RecursionError, ValueError) as why:
        raise _refused(topic, f"holds no CBOR: {why}") from why
    if not isinstance(content, dict) or _deterministic(content) != payload:
        raise _refused(topic, "is not in deterministic form")
    whole = {1: int, 2: int, 3: bytes, 4: int, 5: int}
    if not content.keys() <= {1, 2, 3, 4, 5, 6, 7} or any(not _is(content.get(k), kind) for k, kind in whole.items()):
        raise _refused(topic, "lacks a field or has one that is not known")
    if content[1] not in (1, 2) or len(content[3]) not in (0, 8) or (6 in content and not _is(content[6], int)):
        raise _refused(topic, "has a kind, word or wake limit that is not known")
    settings, trial_wakes = _settings(content.get(7), OrderKind(content[1]), topic)
    return RetuneOrder(
        kind=OrderKind(content[1]),
        rev=content[2],
        word=content[3],
        issued=content[4],
        until=content[5],
        until_wake=content.get(6),
        settings=settings,
        trial_wakes=trial_wakes,
    )


def _settings(values: Any, kind: OrderKind, topic: str) -> tuple[BandSettings | None, int | None]:
    if kind is OrderKind.KEEP and values is None:
        return None, None
    known = set(_SETTING_KEYS)
    if kind is OrderKind.KEEP or not isinstance(values, dict) or not known <= values.keys() <= known | {_TRIAL_WAKES}:
        raise _refused(topic, "does not carry the whole settings")
    if any(isinstance(value, bool) or not isinstance(value, int | float) for value in values.values()):
        raise _refused(topic, "has a setting that is no number")
    if not all(math.isfinite(value) for value in values.values()):
        raise _refused(topic, "has a setting that is not finite")
    if not _is(values.get(_TRIAL_WAKES, 0), int):
        raise _refused(topic, "has trial wakes that are no count")
    return BandSettings(**{name: values[key] for key, name in _SETTING_KEYS.items()}), values.get(_TRIAL_WAKES)


def _is(value: Any, kind: type) -> bool:
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool) and value >= 0
    return isinstance(value, kind)


def _byte_string(data: bytes) -> bytes:
    return _deterministic(data)


def _deterministic(value: Any) -> bytes:
    encoded: bytes = cbor2.dumps(value, canonical=True)
    return encoded


def _taken(data: bytes, topic: str) -> tuple[bytes, bytes]:
    """A byte string in its shortest form from the front, and what follows it."""
    if data and 0x40 <= data[0] < 0x58:
        start, length = 1, data[0] - 0x40
    elif len(data) > 1 and data[0] == 0x58 and data[1] >= 24:
        start, length = 2, data[1]
    elif len(data) > 2 and data[0] == 0x59 and data[1] > 0:
        start, length = 3, int.from_bytes(data[1:3], "big")
    else:
        raise _refused(topic, "has no byte string of shortest form where one is due")
    if len(data) < start + length:
        raise _refused(topic, "is cut short")
    return data[start : start + length], data[start + length :]


def _refused(topic: str, why: str) -> MessageError:
    return MessageError(
        f"{topic}: order {why}. It is not taken; send it again from the tool.", SetAsideReason.NOT_VALID
    )
