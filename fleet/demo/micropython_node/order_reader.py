"""Reads a retune order strictly: one byte form, one key, one topic. Needs SHA-256 and nothing else.

COSE_Mac0 with HMAC 256/256 (RFC 9052 section 6.2-6.3, RFC 9053 section 3.1, RFC 2104); payload: RFC 8949 section 4.2.1.
Before the tag is checked only two lengths are looked at.
"""

import hashlib
import struct

HEAD = b"\xd1\x84"
TAG_BYTES = 32
LARGEST_BYTES = 512
NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")


def hmac_256(key: bytes, message: bytes) -> bytes:
    """HMAC-SHA-256 (RFC 2104); MicroPython has no hmac module."""
    if len(key) > 64:
        key = hashlib.sha256(key).digest()
    key = key + bytes(64 - len(key))
    inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in key))
    inner.update(message)
    outer = hashlib.sha256(bytes(byte ^ 0x5C for byte in key))
    outer.update(inner.digest())
    return outer.digest()


def same(one: bytes, other: bytes) -> bool:
    """Equal, in a time that does not tell where they differ."""
    differs = len(one) ^ len(other)
    for left, right in zip(one, other):
        differs |= left ^ right
    return differs == 0


def byte_string(data: bytes) -> bytes:
    """CBOR byte string in its shortest form."""
    if len(data) < 24:
        return bytes([0x40 + len(data)]) + data
    if len(data) < 256:
        return bytes([0x58, len(data)]) + data
    return bytes([0x59, len(data) >> 8, len(data) & 255]) + data


def mac_input(protected: bytes, topic: bytes, payload: bytes) -> bytes:
    """The bytes under the tag: ["MAC0", protected, topic, payload]."""
    return b"\x84\x64MAC0" + byte_string(protected) + byte_string(topic) + byte_string(payload)


def read_order(frame: bytes, key: bytes, key_id: bytes, topic: bytes) -> dict:  # type: ignore[type-arg]  # values of many kinds
    """The order in these bytes; ValueError if one bit is not as it must be."""
    protected = b"\xa2\x01\x05\x04" + byte_string(key_id)
    prefix = HEAD + byte_string(protected) + b"\xa0"
    if len(frame) > LARGEST_BYTES or frame[: len(prefix)] != prefix:
        raise ValueError("not of the one form that is taken")
    payload, end = _bytes_at(frame, len(prefix))
    tag, end = _bytes_at(frame, end)
    if end != len(frame) or len(tag) != TAG_BYTES:
        raise ValueError("does not end with a tag of 32 bytes")
    if not same(tag, hmac_256(key, mac_input(protected, topic, payload))):
        raise ValueError("tag is not of this key and topic")
    return checked(payload)


def checked(payload: bytes) -> dict:  # type: ignore[type-arg]  # values of many kinds
    """The payload as a dict with names; ValueError if a field is missing or not known."""
    content, end = _item(payload, 0)
    if end != len(payload) or not isinstance(content, dict):
        raise ValueError("payload is not one map")
    kind, given = content.get(1), content.get(7)
    if kind not in (1, 2) or any(not _whole(content.get(key)) for key in (1, 2, 4, 5)):
        raise ValueError("a needed field is missing")
    if any(key not in (1, 2, 3, 4, 5, 6, 7) for key in content) or not isinstance(content.get(3), bytes):
        raise ValueError("a field is not known")
    if len(content[3]) not in (0, 8) or (6 in content and not _whole(content[6])) or (kind == 1) != (given is not None):
        raise ValueError("a field has no value that is known")
    order = {"kind": kind, "rev": content[2], "word": content[3], "until": content[5], "until_wake": content.get(6)}
    if given is not None:
        order["set"], order["trial_wakes"] = _settings(given)
    return order


def _settings(given: dict) -> tuple:  # type: ignore[type-arg]  # values of many kinds
    if not isinstance(given, dict) or any(key not in (1, 2, 3, 4, 5, 6, 7) for key in given):
        raise ValueError("a setting is not known")
    if any(not isinstance(given.get(key), (int, float)) for key in (1, 2, 3, 4, 5, 6)):
        raise ValueError("an order carries the whole settings")
    if 7 in given and not _whole(given[7]):
        raise ValueError("trial_wakes is no count")
    return {name: given[number + 1] for number, name in enumerate(NAMES)}, given.get(7)


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _bytes_at(data: bytes, at: int) -> tuple[bytes, int]:
    """The byte string that starts here, in its shortest form, and where it ends."""
    if at >= len(data) or data[at] >> 5 != 2:
        raise ValueError("no byte string where one is due")
    length, start = _count(data, at)
    if start + length > len(data):
        raise ValueError("cut short")
    return data[start : start + length], start + length


def _count(data: bytes, at: int) -> tuple[int, int]:
    """The number in an item's head in its shortest form, and where the head ends."""
    small = data[at] & 31
    if small < 24:
        return small, at + 1
    size = {24: 1, 25: 2, 26: 4, 27: 8}.get(small, 0)
    if not size or at + 1 + size > len(data):
        raise ValueError("no head of definite length")
    value = int.from_bytes(data[at + 1 : at + 1 + size], "big")
    if value < (24 if size == 1 else 1 << (4 * size)):
        raise ValueError("a number is not in its shortest form")
    return value, at + 1 + size


def _item(data: bytes, at: int, depth: int = 3) -> tuple:  # type: ignore[type-arg]  # values of many kinds
    """A number, byte string or map of these, and where it ends."""
    if at >= len(data) or not depth:
        raise ValueError("cut short or too deep")
    major, small = data[at] >> 5, data[at] & 31
    if major == 2:
        return _bytes_at(data, at)
    if major == 7:
        return _float(data, at, small)
    value, at = _count(data, at)
    if major == 0:
        return value, at
    if major == 1:
        return -1 - value, at
    if major != 5 or value > 8:
        raise ValueError("an item of a kind that no order has")
    found, last = {}, -1
    for _ in range(value):
        name, at = _item(data, at, 1)
        if not _whole(name) or name <= last:
            raise ValueError("keys are not in rising order")
        found[name], at = _item(data, at, depth - 1)
        last = name
    return found, at


def _float(data: bytes, at: int, small: int) -> tuple[float, int]:
    size = {25: 2, 26: 4, 27: 8}.get(small, 0)
    raw = data[at + 1 : at + 1 + size]
    if not size or len(raw) < size:
        raise ValueError("no number")
    value = struct.unpack(">f" if size == 4 else ">d", raw)[0] if size > 2 else _half(raw[0] << 8 | raw[1])
    if value != value or value in (float("inf"), -float("inf")):
        raise ValueError("a number is not finite")
    return value, at + 1 + size


def _half(bits: int) -> float:
    """A 16-bit float (RFC 8949 appendix D)."""
    exponent, fraction = bits >> 10 & 31, bits & 1023
    if exponent == 31:
        value = float("nan")
    elif exponent:
        value = (1024 + fraction) * 2.0 ** (exponent - 25)
    else:
        value = fraction * 2.0**-24
    return -value if bits & 0x8000 else value
