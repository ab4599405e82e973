"""What a demo node takes and what it refuses."""

from __future__ import annotations

import pytest

from fleet.demo.order_reader import RefusedError, check, in_force, read_order
from fleet.demo.scenario import ALKALINE, profiles
from fleet.messages import BandSettings
from fleet.wire_order import OrderKind, RetuneOrder, plain_order, seal

KEY = (bytes(range(32)), b"hf01-1")
TOPIC = "harrow/hf01/retune"
WORD = "00112233445566aa"
SETTINGS = BandSettings(lo=0.66, hi=1.6, hyst=0.05, sleep_s=3600.0, period_ms=100.0, avg=8)


def order(**changed: object) -> RetuneOrder:
    values = {
        "kind": OrderKind.SETTINGS, "rev": 3, "word": bytes.fromhex(WORD), "issued": 1000, "until": 2000,
        "until_wake": 50, "settings": SETTINGS, "trial_wakes": 6,
    }  # fmt: skip
    return RetuneOrder(**{**values, **changed})  # type: ignore[arg-type]  # test builds one from a dict


def sealed(made: RetuneOrder) -> bytes:
    return seal(made, key=KEY[0], key_id=KEY[1], topic=TOPIC)


def test_a_sealed_order_is_read_and_reported_with_its_digest() -> None:
    """The digest is what the wire contract says: first 8 bytes of the SHA-256 of the bytes."""
    import hashlib

    frame = sealed(order())
    read = read_order(frame, TOPIC, key=KEY, word=WORD)
    settings = in_force(read, frame, profiles()[ALKALINE])
    assert (settings.rev, settings.seen, settings.trial, settings.lo) == (3, 3, True, 0.66)
    assert settings.digest == hashlib.sha256(frame).digest()[:8].hex()


def test_one_flipped_bit_is_refused() -> None:
    frame = bytearray(sealed(order()))
    frame[-1] ^= 1
    with pytest.raises(RefusedError):
        read_order(bytes(frame), TOPIC, key=KEY, word=WORD)


def test_an_order_of_another_topic_or_flash_is_refused() -> None:
    frame = sealed(order())
    with pytest.raises(RefusedError):
        read_order(frame, "harrow/hf02/retune", key=KEY, word=WORD)
    with pytest.raises(RefusedError, match="flash"):
        read_order(frame, TOPIC, key=KEY, word="ffffffffffffffff")


@pytest.mark.parametrize(
    ("seen", "t_s", "life_wakes", "why"),
    [(3, 1500.0, 10, "not above"), (0, 2001.0, 10, "void"), (0, 1500.0, 51, "void")],
)
def test_an_old_or_void_order_is_refused(seen: int, t_s: float, life_wakes: int, why: str) -> None:
    with pytest.raises(RefusedError, match=why):
        check(order(), seen=seen, t_s=t_s, life_wakes=life_wakes)


def test_a_plain_order_is_read_by_a_node_of_plain_orders_alone() -> None:
    frame = plain_order(order(word=b"", until_wake=None, trial_wakes=None))
    assert read_order(frame, TOPIC, key=None, word=WORD).settings == SETTINGS
    with pytest.raises(RefusedError):
        read_order(frame, TOPIC, key=KEY, word=WORD)
