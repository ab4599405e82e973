"""CBOR from strangers, looked over byte by byte before it is decoded: no tags, no deep nesting, nothing after it."""

from __future__ import annotations

from typing import Any

import cbor2

from fleet.errors import MessageError
from fleet.words import SetAsideReason

CBOR_LIMIT_BYTES = 8192
DEPTH_LIMIT = 8
_BREAK = 0xFF


def decode_cbor(payload: bytes, limit_bytes: int = CBOR_LIMIT_BYTES) -> Any:
    """The value of one CBOR item (RFC 8949); map keys that are numbers become text.

    Raises
    ------
    MessageError
        If it is not exactly one well-formed item, is tagged, too deep or too large.

    Examples
    --------
    >>> decode_cbor(bytes.fromhex("a261610102f5"))
    {'a': 1, '2': True}
    """
    if len(payload) > limit_bytes:
        raise MessageError(f"CBOR of {len(payload)} bytes; at most {limit_bytes} are read", SetAsideReason.TOO_LARGE)
    end = _item_end(payload, 0, DEPTH_LIMIT)
    if end != len(payload):
        raise MessageError(f"CBOR: {len(payload) - end} bytes after the item", SetAsideReason.NOT_VALID)
    try:
        return _named(cbor2.loads(payload))
    except (cbor2.CBORDecodeError, ValueError, TypeError, OverflowError) as why:
        raise MessageError(f"CBOR: {why}", SetAsideReason.NOT_VALID) from why


def _item_end(raw: bytes, at: int, depth: int) -> int:
    """Where the item that starts here ends (RFC 8949, appendix C, with a limit on nesting and without tags)."""
    if depth <= 0:
        raise MessageError(f"CBOR: nested deeper than {DEPTH_LIMIT} levels", SetAsideReason.TOO_DEEP)
    if at >= len(raw):
        raise MessageError("CBOR: cut off", SetAsideReason.NOT_VALID)
    major, info = raw[at] >> 5, raw[at] & 0x1F
    if major == 6:
        raise MessageError(f"CBOR: a tag at byte {at}; none is expected", SetAsideReason.NOT_VALID)
    if info == 31 and major in (2, 3, 4, 5):
        return _open_end(raw, at + 1, major, depth)
    count, at = _argument(raw, at, info)
    if major in (2, 3):
        at += count
        if at > len(raw):
            raise MessageError("CBOR: a string is longer than the payload", SetAsideReason.NOT_VALID)
    elif major in (4, 5):
        for _ in range(count * (major - 3)):
            at = _item_end(raw, at, depth - 1)  # cut off long before a huge claimed count is reached
    return at


def _open_end(raw: bytes, at: int, major: int, depth: int) -> int:
    """End of an item of unknown length."""
    while at < len(raw) and raw[at] != _BREAK:
        if major in (2, 3) and (raw[at] >> 5 != major or raw[at] & 0x1F == 31):
            raise MessageError(f"CBOR: a piece of another kind in a string at byte {at}", SetAsideReason.NOT_VALID)
        at = _item_end(raw, at, depth - 1)
        if major == 5:
            at = _item_end(raw, at, depth - 1)
    if at >= len(raw):
        raise MessageError("CBOR: cut off", SetAsideReason.NOT_VALID)
    return at + 1


def _argument(raw: bytes, at: int, info: int) -> tuple[int, int]:
    """The number in an item's head, and where the head ends."""
    if info < 24:
        return info, at + 1
    size = {24: 1, 25: 2, 26: 4, 27: 8}.get(info)
    if size is None or at + 1 + size > len(raw):
        raise MessageError(f"CBOR: no valid head at byte {at}", SetAsideReason.NOT_VALID)
    return int.from_bytes(raw[at + 1 : at + 1 + size], "big"), at + 1 + size


def _named(value: Any) -> Any:
    if isinstance(value, dict):
        if any(not isinstance(key, str | int) for key in value):
            raise MessageError("CBOR: a map key that is neither text nor a whole number", SetAsideReason.NOT_VALID)
        return {str(key): _named(item) for key, item in value.items()}
    return [_named(item) for item in value] if isinstance(value, list) else value
