"""The node's reader and the tool's agree on every order, whole or spoiled."""

from __future__ import annotations

import hmac
import importlib.util
import json
import random
from pathlib import Path
from types import ModuleType

from fleet.errors import MessageError
from fleet.wire_order import mac, open_order, protected_header

from .conftest import KEY, run_micropython

TESTS = Path(__file__).parents[3]
PUBLISHED = TESTS / "published"
KEY_ID, TOPIC = b"n017-1", "marsh/n017/retune"
READ = f"""
import sys, binascii
from micropython_node.order_reader import read_order
key, topic = binascii.unhexlify("{KEY.hex()}"), b"{TOPIC}"
said = []
for line in sys.stdin:
    frame = binascii.unhexlify(line.strip())
    taken = 0
    for number in range(-1, len(frame) * 8 + len(frame)):
        bad = bytearray(frame)
        if number >= len(frame) * 8:
            bad = bad[: number - len(frame) * 8]
        elif number >= 0:
            bad[number >> 3] ^= 1 << (number & 7)
        try:
            order = read_order(bytes(bad), key, b"{KEY_ID.decode()}", topic)
            taken += 1
        except ValueError:
            pass
    print(taken, len(frame) * 9, order["rev"], order.get("set"), order["until_wake"], order.get("trial_wakes"))
"""


def wire_tests() -> ModuleType:
    spec = importlib.util.spec_from_file_location("wire_order_tests", TESTS / "fleet" / "test_wire_order.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_20_orders_are_read_alike_and_no_flip_or_cut_is_taken() -> None:
    tests = wire_tests()
    dice = random.Random(4)
    made = [tests.any_order(dice) for _ in range(20)]
    frames = [tests.sealed(one) for one in made]
    for frame, one, line in zip(
        frames, made, run_micropython(READ, "\n".join(frame.hex() for frame in frames)).splitlines(), strict=True
    ):
        ours = sum(tests.taken(bad) for bad in [frame, *tests.spoiled(frame)])
        taken, tried, rev, rest = line.split(" ", 3)
        assert (int(taken), int(tried), int(rev)) == (ours, len(frame) * 9, one.rev) == (1, len(frame) * 9, one.rev)
        for name in ("lo", "hi", "sleep_s"):
            if one.settings is not None:
                assert f"'{name}': {getattr(one.settings, name):.15g}"[:14] in rest
        assert str(one.until_wake) in rest


def test_rfc_4231_on_micropython() -> None:
    """Source: RFC 4231 section 4, all seven, with the node's own HMAC."""
    cases = json.loads((PUBLISHED / "rfc4231.json").read_text())["cases"]
    code = """
import sys, json, binascii
from micropython_node.order_reader import hmac_256
for case in json.loads(sys.stdin.read()):
    part, times = case["key"].split("*")
    print(binascii.hexlify(hmac_256(binascii.unhexlify(part) * int(times), binascii.unhexlify(case["data"]))).decode())
"""
    found = run_micropython(code, json.dumps(cases)).split()
    assert [one[: len(case["mac"])] for one, case in zip(found, cases, strict=True)] == [case["mac"] for case in cases]


def test_wycheproof_on_both_interpreters() -> None:
    """Source: C2SP/wycheproof, hmac_sha256_test.json: valid tags, and tags with one bit flipped."""
    cases = json.loads((PUBLISHED / "wycheproof_hmac_sha256.json").read_text())["tests"]
    code = """
import sys, json, binascii
from micropython_node.order_reader import hmac_256
for case in json.loads(sys.stdin.read()):
    print(binascii.hexlify(hmac_256(binascii.unhexlify(case["key"]), binascii.unhexlify(case["msg"]))).decode())
"""
    node = run_micropython(code, json.dumps(cases)).split()
    ours = [hmac.digest(bytes.fromhex(one["key"]), bytes.fromhex(one["msg"]), "sha256").hex() for one in cases]
    wanted = [one["result"] == "valid" for one in cases]
    assert [tag == one["tag"] for tag, one in zip(node, cases, strict=True)] == wanted
    assert [tag == one["tag"] for tag, one in zip(ours, cases, strict=True)] == wanted


def test_payloads_that_are_no_order_are_refused_by_both() -> None:
    """Signed with the right key, wrong inside: keys out of order, longer forms, missing or strange fields."""
    whole = "01010208034004010502"
    settings = "07a6010102020300041903840518640608"
    payloads = [
        "a6" + whole + settings,  # right, to show that the rig can take one
        "a6" + "0208" "0101" "0340" "0401" "0502" + settings,
        "a6" + "0101" "021808" "0340" "0401" "0502" + settings,
        "a5" + whole,
        "a7" + whole + settings + "0800",
        "a6" + "0103" "0208" "0340" "0401" "0502" + settings,
        "a6" + "0101" "0208" "034100" "0401" "0502" + settings,
        "a6" + "0101" "0220" "0340" "0401" "0502" + settings,
        "a6" + whole + settings.replace("0101", "01f97e00", 1),
        "a6" + whole + settings.replace("a6", "a7", 1) + "07f93e00",
        "bf" + whole + settings + "ff",
        "80", "", "f6", "a0",
    ]  # fmt: skip
    frames = []
    for payload in map(bytes.fromhex, payloads):
        protected = protected_header(KEY_ID)
        head = b"\xd1\x84" + bytes([0x40 + len(protected)]) + protected + b"\xa0"
        size = bytes([0x40 + len(payload)]) if len(payload) < 24 else bytes([0x58, len(payload)])
        frames.append(head + size + payload + b"\x58\x20" + mac(KEY, protected, TOPIC, payload))
    code = f"""
import sys, binascii
from micropython_node.order_reader import read_order
key = binascii.unhexlify("{KEY.hex()}")
for line in sys.stdin:
    try:
        read_order(binascii.unhexlify(line.strip()), key, b"{KEY_ID.decode()}", b"{TOPIC}")
        print(1)
    except ValueError:
        print(0)
"""
    node = [line == "1" for line in run_micropython(code, "\n".join(frame.hex() for frame in frames)).split()]
    ours = []
    for frame in frames:
        try:
            open_order(frame, key=KEY, key_id=KEY_ID, topic=TOPIC)
            ours.append(True)
        except MessageError:
            ours.append(False)
    assert node == ours == [True] + [False] * (len(frames) - 1)
