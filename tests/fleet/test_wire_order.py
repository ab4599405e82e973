"""Orders as bytes: one form, every bit of it under the tag."""

from __future__ import annotations

import hmac
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cbor2
import pytest

from fleet.errors import MessageError
from fleet.messages import BandSettings
from fleet.wire_order import OrderKind, RetuneOrder, digest_of, mac, open_order, open_plain, plain_order, seal

PUBLISHED = Path(__file__).parents[1] / "published"
KEY, KEY_ID, TOPIC = bytes(range(32)), b"n017-1", "marsh/n017/retune"
SETTINGS = BandSettings(lo=0.8, hi=2.0, hyst=0.05, sleep_s=900.0, period_ms=100.0, avg=8)


def order(**changed: Any) -> RetuneOrder:
    values: dict[str, Any] = {
        "kind": OrderKind.SETTINGS, "rev": 8, "word": bytes.fromhex("0123456789abcdef"), "issued": 1764020001,
        "until": 1764624801, "until_wake": 812, "settings": SETTINGS, "trial_wakes": 6,
    }  # fmt: skip
    return RetuneOrder(**{**values, **changed})


def sealed(made: RetuneOrder) -> bytes:
    return seal(made, key=KEY, key_id=KEY_ID, topic=TOPIC)


def taken(frame: bytes, topic: str = TOPIC, key: bytes = KEY) -> bool:
    try:
        open_order(frame, key=key, key_id=KEY_ID, topic=topic)
    except MessageError:
        return False
    return True


def spoiled(frame: bytes) -> Iterator[bytes]:
    """Every single-bit flip and every cut."""
    whole = int.from_bytes(frame, "big")
    for bit in range(8 * len(frame)):
        yield (whole ^ (1 << bit)).to_bytes(len(frame), "big")
    for length in range(len(frame)):
        yield frame[:length]


def any_order(dice: random.Random) -> RetuneOrder:
    lo = round(dice.uniform(0.2, 1.8), dice.randint(0, 6))
    settings = BandSettings(
        lo=lo, hi=lo + dice.uniform(0.2, 1.0), hyst=dice.choice([0.0, 0.05, 0.25]),
        sleep_s=float(dice.randint(60, 86400)), period_ms=dice.choice([50.0, 100.0, 62.5]), avg=dice.randint(1, 32),
    )  # fmt: skip
    kind = dice.choice([OrderKind.SETTINGS, OrderKind.SETTINGS, OrderKind.KEEP])
    until_wake = dice.choice([None, dice.randint(0, 2**32)])
    of_settings = {"settings": settings, "trial_wakes": dice.choice([None, dice.randint(1, 300)])}
    none = {"settings": None, "trial_wakes": None}
    word = dice.choice([b"", dice.randbytes(8)])
    return order(
        kind=kind, rev=dice.randint(1, 2**32 - 1), word=word, until_wake=until_wake,
        **(of_settings if kind is OrderKind.SETTINGS else none),
    )  # fmt: skip


@pytest.mark.parametrize("case", json.loads((PUBLISHED / "rfc4231.json").read_text())["cases"])
def test_the_hmac_under_the_tag_is_that_of_rfc_4231(case: dict[str, str]) -> None:
    """Source: RFC 4231 section 4, through the same `hmac.digest` that `mac` calls."""
    part, _, times = case["key"].partition("*")
    whole = hmac.digest(bytes.fromhex(part) * int(times), bytes.fromhex(case["data"]), "sha256").hex()
    assert whole.startswith(case["mac"])


@pytest.mark.parametrize("message", json.loads((PUBLISHED / "cose_mac0.json").read_text())["messages"])
def test_the_tag_is_that_of_the_public_cose_examples(message: dict[str, str]) -> None:
    """Source: cose-wg/Examples; the MAC_structure of RFC 9052 section 6.3 with and without external data."""
    key = bytes.fromhex(json.loads((PUBLISHED / "cose_mac0.json").read_text())["key"])
    protected, payload = bytes.fromhex(message["protected"]), bytes.fromhex(message["payload"])
    external = bytes.fromhex(message["external"])
    structure = cbor2.dumps(["MAC0", protected, external, payload], canonical=True)
    assert structure.hex() == message["to_mac"]
    assert hmac.digest(key, structure, "sha256").hex() == message["tag"]
    if not external:  # ours is always text
        assert mac(key, protected, "", payload).hex() == message["tag"]
    assert not taken(bytes.fromhex(message["cbor"]), key=key)  # loose forms are refused on purpose


@pytest.mark.parametrize("message", json.loads((PUBLISHED / "cose_mac0.json").read_text())["to_be_refused"])
def test_public_cose_messages_that_must_fail_are_refused(message: dict[str, str]) -> None:
    """Source: cose-wg/Examples, `mac-fail-*`: tag, algorithm, header or tag number changed; and a 64-bit tag."""
    key = bytes.fromhex(json.loads((PUBLISHED / "cose_mac0.json").read_text())["key"])
    assert not taken(bytes.fromhex(message["cbor"]), key=key)


def test_the_bytes_of_an_order_worked_by_hand() -> None:
    """Source: RFC 8949 section 4.2.1 and appendix A (64-bit floats, 900 as 19 0384)."""
    frame = sealed(order())
    payload = (
        "a7" "0101" "0208" "03480123456789abcdef" "041a6924cf21" "051a692e09a1" "0619032c"
        "07" "a7" "01fb3fe999999999999a" "0202" "03fb3fa999999999999a" "04190384" "051864" "0608" "0706"
    )  # fmt: skip
    protected = "a2010504466e3031372d31"
    size = len(payload) // 2
    assert frame.hex()[:-64] == f"d184{0x40 + len(protected) // 2:02x}{protected}a058{size:02x}{payload}5820"
    assert cbor2.loads(frame).tag == 17


@pytest.mark.parametrize(
    ("value", "encoded"),
    [(1.5, "f93e00"), (100000.0, "1a000186a0"), (1.1, "fb3ff199999999999a"), (5.960464477539063e-8, "f90001")],
)  # fmt: skip
def test_numbers_take_their_shortest_form(value: float, encoded: str) -> None:
    """Source: RFC 8949 appendix A; whole numbers go as integers, so that every reader has them alike."""
    frame = sealed(order(settings=BandSettings(lo=value, hi=2.0, hyst=0.05, sleep_s=900.0, period_ms=100.0, avg=8)))
    assert f"a701{encoded}02" in frame.hex()
    opened = open_order(frame, key=KEY, key_id=KEY_ID, topic=TOPIC)
    assert opened.settings is not None and opened.settings.lo == value


def test_what_is_sealed_is_opened() -> None:
    dice = random.Random(1)
    for _ in range(300):
        made = any_order(dice)
        assert open_order(sealed(made), key=KEY, key_id=KEY_ID, topic=TOPIC) == made


def test_another_topic_key_or_key_id_is_refused() -> None:
    """EN 303 645 5.5-1: an order for node 17 replayed on node 18's topic is none."""
    frame = sealed(order())
    assert taken(frame)
    assert not taken(frame, topic="marsh/n018/retune")
    assert not taken(frame, key=bytes(32))
    with pytest.raises(MessageError):
        open_order(frame, key=KEY, key_id=b"n017-2", topic=TOPIC)


def test_every_bit_flip_and_cut_of_20_orders_is_refused() -> None:
    dice = random.Random(2)
    assert not any(taken(bad) for _ in range(20) for bad in spoiled(sealed(any_order(dice))))


@pytest.mark.slow
def test_every_bit_flip_and_cut_of_1000_orders_is_refused() -> None:
    """EN 303 645 5.5-5; IEC 62443-4-2 CR 3.1(1)."""
    dice, tried = random.Random(3), 0
    for _ in range(1000):
        for bad in spoiled(sealed(any_order(dice))):
            tried += 1
            assert not taken(bad), bad.hex()
    assert tried > 700_000


def test_a_frame_with_something_after_it_is_refused() -> None:
    assert not taken(sealed(order()) + b"\x00")


@pytest.mark.parametrize(
    "changed",
    [{"settings": None}, {"settings": BandSettings(lo=0.8)}],
)
def test_half_settings_are_not_sealed(changed: dict[str, Any]) -> None:
    with pytest.raises(MessageError):
        sealed(order(**changed))


def test_a_key_of_another_length_is_not_used() -> None:
    with pytest.raises(MessageError, match="expected 32"):
        seal(order(), key=b"short", key_id=KEY_ID, topic=TOPIC)


def test_the_plain_form_is_the_contracts() -> None:
    """The contract's example, key by key."""
    frame = plain_order(order(word=b"", until_wake=None))
    value = json.loads(frame)
    assert list(value) == ["kind", "rev", "issued", "until", "set"]
    assert value["kind"] == "settings"
    wanted = {"lo": 0.8, "hi": 2.0, "hyst": 0.05, "sleep_s": 900, "period_ms": 100, "avg": 8}
    assert wanted.items() <= value["set"].items()
    assert open_plain(frame, TOPIC).settings == SETTINGS


@pytest.mark.parametrize(
    "frame", [b"", b"{}", b"[]", b"1", b'{"kind": "x"}', b"\xff", b'{"kind":"settings","rev":"8"}']
)
def test_what_is_no_plain_order_is_refused(frame: bytes) -> None:
    with pytest.raises(MessageError):
        open_plain(frame, TOPIC)


def test_the_digest_is_the_front_of_sha_256() -> None:
    """Source: FIPS 180-2 appendix B.1, SHA-256 of "abc"."""
    assert digest_of(b"abc") == "ba7816bf8f01cfea"
