"""Bytes ↔ message, topic ↔ node. Pure: the same for live messages, recordings and the demo.

Unknown keys never make a record invalid: they are peeled off and kept as `extra`. Of a key given twice the last one
counts (RFC 8259 §4 leaves it open). NaN and Infinity are not JSON (RFC 8259 §6) and are refused.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

import msgspec

from fleet.errors import MessageError
from fleet.messages import Asleep, BandSettings, Histogram, Life, OrderAnswer, Receipt, WakeRecord
from fleet.wire_values import all_finite, no_deeper, whole
from fleet.words import SetAsideReason

PAYLOAD_LIMIT_BYTES = 65_536
DEPTH_LIMIT = 16
"""Levels of nesting that an unknown key may hold; a wake record itself needs four."""

KINDS = ("wake", "receipt", "retune", "answer")
_NODE = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_BLANK = b" \t\r\n"
_SHOWN_BYTES = 60

Extra = dict[str, Any]


class Heard(NamedTuple):
    """A wake record as a node sent it, and the keys that the contract does not know."""

    record: WakeRecord
    extra: Extra | None


class Refused(NamedTuple):
    """A payload, or one element of an array, that is not a wake record."""

    reason: SetAsideReason
    detail: str
    raw: bytes


_PARTS: dict[str, frozenset[str]] = {
    "asleep": frozenset(Asleep.__struct_fields__),
    "set": frozenset(BandSettings.__struct_fields__),
    "life": frozenset(Life.__struct_fields__),
}
_KNOWN = frozenset(WakeRecord.__struct_fields__)
_WHOLE = frozenset({"boot", "seq", "tries", "runs"})
_WHOLE_IN = {"asleep": ("n",), "set": ("avg", "rev", "seen"), "life": ("wakes",)}

_decode_strict = msgspec.json.Decoder(WakeRecord).decode
_decode_any = msgspec.json.Decoder().decode
_decode_elements = msgspec.json.Decoder(list[msgspec.Raw]).decode
_decode_answer = msgspec.json.Decoder(OrderAnswer).decode


def parse_topic(topic: str, root: str | None) -> tuple[str, str]:
    """Node and kind of a topic; `root` None takes whatever stands before them.

    Raises
    ------
    MessageError
        If the topic is not one of the contract's.

    Examples
    --------
    >>> parse_topic("marsh/n017/wake", "marsh")
    ('n017', 'wake')
    >>> parse_topic("some/where/n017/answer", None)
    ('n017', 'answer')
    """
    front, _, kind = topic.rpartition("/")
    front, _, node = front.rpartition("/")
    if kind not in KINDS or (root is not None and front != root) or not _NODE.fullmatch(node):
        wanted = root if root is not None else "<root>"
        raise MessageError(
            f"topic {topic[:120]!r}: expected {wanted}/<node>/wake or /answer, "
            "<node> of 1 to 64 letters, digits, _ . -",
            SetAsideReason.BAD_TOPIC,
        )
    return node, kind


def topic_of(root: str, node: str, kind: str) -> str:
    """The topic of a node's messages of one kind.

    Raises
    ------
    MessageError
        If the node's name could mean another topic.
    """
    topic = f"{root}/{node}/{kind}"
    parse_topic(topic, root)
    return topic


def decode_one(payload: bytes, limit_bytes: int = PAYLOAD_LIMIT_BYTES) -> WakeRecord | None:
    """The one record of the common payload, quickly; None if the payload is anything else, for `hear_wakes` to tell.

    >>> decode_one(b'[{"boot": 1, "seq": 2, "cause": "timer"}]') is None
    True
    """
    if len(payload) > limit_bytes:
        return None
    try:
        return _decode_strict(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


def decode_wakes(payload: bytes, limit_bytes: int = PAYLOAD_LIMIT_BYTES) -> tuple[list[WakeRecord], list[Refused]]:
    """The wake records of a payload, and what of it was refused.

    >>> records, refused = decode_wakes(b'[{"boot": 1, "seq": 2, "cause": "timer"}, {"boot": 1}]')
    >>> records[0].seq, refused[0].detail
    (2, 'Object missing required field `seq`: {"boot": 1}')
    """
    heard, refused = hear_wakes(payload, limit_bytes)
    return [one.record for one in heard], refused


def hear_wakes(payload: bytes, limit_bytes: int = PAYLOAD_LIMIT_BYTES) -> tuple[list[Heard], list[Refused]]:
    """As `decode_wakes`, with each record's unknown keys beside it."""
    if len(payload) > limit_bytes:
        detail = f"{len(payload)} bytes; at most {limit_bytes} are read. Send fewer records at a time."
        return [], [Refused(SetAsideReason.TOO_LARGE, detail, payload)]
    try:
        return [Heard(_decode_strict(payload), None)], []
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        pass  # an array, unknown keys, or wrong: told apart below, at leisure
    if payload.lstrip(_BLANK)[:1] != b"[":
        one = _hear_one(payload)
        return ([one], []) if isinstance(one, Heard) else ([], [one])
    try:
        elements = _decode_elements(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as why:
        return [], [_refusal(why, payload)]
    heard: list[Heard] = []
    refused: list[Refused] = []
    for element in elements:
        one = _hear_one(bytes(element))
        (heard if isinstance(one, Heard) else refused).append(one)  # type: ignore[arg-type]  # told apart in the line
    return heard, refused


def _hear_one(raw: bytes) -> Heard | Refused:
    try:
        return Heard(_decode_strict(raw), None)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        pass
    try:
        value = _decode_any(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as why:
        return _refusal(why, raw)
    return hear_value(value, raw)


def hear_value(value: Any, raw: bytes) -> Heard | Refused:
    """A wake record from plain values, as a mapping file or CBOR gives them."""
    if not isinstance(value, dict):
        detail = f"expected an object, got {_shown(raw)}"
        return Refused(SetAsideReason.NOT_VALID, detail, raw)
    if not no_deeper(value, DEPTH_LIMIT):
        return Refused(SetAsideReason.TOO_DEEP, f"nested deeper than {DEPTH_LIMIT} levels", raw)
    known, extra = _peeled(value)
    if not all_finite(known):
        return Refused(SetAsideReason.NOT_VALID, f"a number that is not finite: {_shown(raw)}", raw)
    try:
        return Heard(msgspec.convert(known, WakeRecord), extra or None)
    except (msgspec.ValidationError, ValueError, OverflowError) as why:
        return Refused(SetAsideReason.NOT_VALID, f"{why}: {_shown(raw)}", raw)


def _peeled(value: dict[str, Any]) -> tuple[dict[str, Any], Extra]:
    """The keys of the contract, with whole numbers as integers, and all others."""
    known = {key: whole(item) if key in _WHOLE else item for key, item in value.items() if key in _KNOWN}
    extra: Extra = {key: item for key, item in value.items() if key not in _KNOWN}
    for part, names in _PARTS.items():
        item = known.get(part)
        if isinstance(item, dict):
            known[part] = {k: whole(v) if k in _WHOLE_IN[part] else v for k, v in item.items() if k in names}
            extra.update({f"{part}.{k}": v for k, v in item.items() if k not in names})
    hist = known["asleep"].get("hist") if isinstance(known.get("asleep"), dict) else None
    if isinstance(hist, dict):
        known["asleep"]["hist"] = {k: v for k, v in hist.items() if k in Histogram.__struct_fields__}
    if isinstance(known.get("reading"), dict):  # a sensor that gave nothing must not cost the whole record
        known["reading"] = {k: v for k, v in known["reading"].items() if v is not None}
    return known, extra


def _refusal(why: Exception, raw: bytes) -> Refused:
    if isinstance(why, RecursionError):
        return Refused(SetAsideReason.TOO_DEEP, f"nested deeper than {DEPTH_LIMIT} levels: {_shown(raw)}", raw)
    bad_value = isinstance(why, msgspec.ValidationError)
    reason = SetAsideReason.NOT_VALID if bad_value else SetAsideReason.NOT_JSON
    return Refused(reason, f"{why}: {_shown(raw)}", raw)


def _shown(raw: bytes) -> str:
    text = raw[:_SHOWN_BYTES].decode("utf-8", "backslashreplace")
    return text + ("…" if len(raw) > _SHOWN_BYTES else "")


def decode_answer(payload: bytes, limit_bytes: int = PAYLOAD_LIMIT_BYTES) -> OrderAnswer:
    """What a node did with an order.

    Raises
    ------
    MessageError
        If the payload is not an answer.

    Examples
    --------
    >>> decode_answer(b'{"rev": 8, "answer": "refused", "why": "too narrow"}').why
    'too narrow'
    """
    if len(payload) > limit_bytes:
        raise MessageError(f"{len(payload)} bytes; at most {limit_bytes} are read", SetAsideReason.TOO_LARGE)
    try:
        return _decode_answer(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as why:
        refused = _refusal(why, payload)
        raise MessageError(refused.detail, refused.reason) from why


def encode_answer(answer: OrderAnswer) -> bytes:
    """The payload of an answer, as a node sends it.

    >>> encode_answer(OrderAnswer(8, "taken"))
    b'{"rev":8,"answer":"taken"}'
    """
    parts: dict[str, Any] = {"rev": answer.rev, "answer": answer.answer}
    return msgspec.json.encode(parts if answer.why is None else parts | {"why": answer.why})


def encode_receipt(receipt: Receipt) -> bytes:
    """The payload of a receipt.

    >>> encode_receipt(Receipt(12, 345))
    b'{"boot":12,"upto":345}'
    """
    return msgspec.json.encode(receipt)


def decode_receipt(payload: bytes) -> Receipt:
    """A receipt as a node reads it.

    >>> decode_receipt(b'{"boot":12,"upto":345}')
    Receipt(boot=12, upto=345)
    """
    try:
        return msgspec.json.decode(payload, type=Receipt)
    except (msgspec.DecodeError, UnicodeDecodeError) as why:
        raise MessageError(f"receipt: {why}: {_shown(payload)}") from why


def encode_wakes(records: list[WakeRecord], extras: list[Extra | None] | None = None) -> bytes:
    """The payload of one record, or of an array of them; keys that are not known are left out.

    >>> encode_wakes([WakeRecord(boot=1, seq=2, cause="timer", batt_mv=2950)])
    b'{"boot":1,"seq":2,"cause":"timer","batt_mv":2950}'
    """
    values = [as_values(record) for record in records]
    for value, extra in zip(values, extras or [], strict=False):
        _put_back(value, extra or {})
    return msgspec.json.encode(values[0] if len(values) == 1 else values)


def as_values(record: WakeRecord) -> dict[str, Any]:
    """A record as the plain values that go on the wire."""
    value = {key: item for key, item in msgspec.to_builtins(record).items() if item is not None}
    for part in _PARTS:
        if part in value:
            value[part] = {key: item for key, item in value[part].items() if item is not None}
    if not value.get("set", {}).get("trial", True):
        del value["set"]["trial"]
    return value


def _put_back(value: dict[str, Any], extra: Extra) -> None:
    for key, item in extra.items():
        part, dot, name = key.partition(".")
        if dot and part in _PARTS:
            value.setdefault(part, {})[name] = item
        else:
            value[key] = item
