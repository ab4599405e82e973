"""Payloads → records. JSON by RFC 8259, the contract's keys and ranges by `wire.md`."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.errors import MessageError
from fleet.messages import Asleep, BandSettings, Histogram, Life, WakeRecord
from fleet.wire import decode_answer, decode_wakes, encode_wakes, hear_wakes, parse_topic, topic_of
from fleet.words import SetAsideReason

GOOD = b'{"boot":1,"seq":2,"cause":"timer"}'


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", SetAsideReason.NOT_JSON),
        (b"\xff\xfe\x00", SetAsideReason.NOT_JSON),
        (b"\xef\xbb\xbf" + GOOD, SetAsideReason.NOT_JSON),  # RFC 8259 §8.1: no byte order mark is added
        (GOOD + b" trailing", SetAsideReason.NOT_JSON),
        (GOOD[:-3], SetAsideReason.NOT_JSON),
        (b'{"boot":1,"seq":2,"cause":"timer","t":NaN}', SetAsideReason.NOT_JSON),  # RFC 8259 §6: not permitted
        (b'{"boot":1,"seq":2,"cause":"timer","t":Infinity}', SetAsideReason.NOT_JSON),
        (b'{"boot":1,"seq":2,"cause":"timer","t":1e999}', SetAsideReason.NOT_VALID),
        (b'{"boot":1,"seq":2,"cause":"timer","note":"\xff"}', SetAsideReason.NOT_JSON),
        (b'{"boot":1,"seq":2,"cause":"\\ud800"}', SetAsideReason.NOT_JSON),  # a lone surrogate
        (b'{"boot":-1,"seq":2,"cause":"timer"}', SetAsideReason.NOT_VALID),
        (b'{"boot":1.5,"seq":2,"cause":"timer"}', SetAsideReason.NOT_VALID),
        (b'{"boot":4294967296,"seq":2,"cause":"timer"}', SetAsideReason.NOT_VALID),
        (b'{"boot":' + b"9" * 4000 + b',"seq":2,"cause":"timer"}', SetAsideReason.NOT_VALID),
        (b'{"boot":1,"seq":2}', SetAsideReason.NOT_VALID),
        (b'{"boot":"1","seq":2,"cause":"timer"}', SetAsideReason.NOT_VALID),
        (b'{"boot":1,"seq":2,"cause":7}', SetAsideReason.NOT_VALID),
        (b'{"boot":1,"seq":2,"cause":"timer","batt_mv":-3}', SetAsideReason.NOT_VALID),
        (b"3", SetAsideReason.NOT_VALID),
        (b"null", SetAsideReason.NOT_VALID),
        (b"[" * 30_000, SetAsideReason.TOO_DEEP),
        (GOOD[:-1] + b',"z":' + b"[" * 1500 + b"]" * 1500 + b"}", SetAsideReason.TOO_DEEP),
        (GOOD[:-1] + b',"z":' + b"[" * 20 + b"]" * 20 + b"}", SetAsideReason.TOO_DEEP),
        (GOOD + b" " * 65_536, SetAsideReason.TOO_LARGE),
    ],
)
def test_a_payload_that_is_no_record_is_refused_with_its_reason(payload: bytes, reason: SetAsideReason) -> None:
    records, refused = decode_wakes(payload)
    assert records == []
    assert [one.reason for one in refused] == [reason]
    assert refused[0].raw == payload


def test_one_bad_element_is_set_aside_alone() -> None:
    records, refused = decode_wakes(b'[{"boot":1,"seq":1,"cause":"pin"}, 7, {"boot":1}, ' + GOOD + b"]")
    assert [record.seq for record in records] == [1, 2]
    assert [one.raw for one in refused] == [b"7", b'{"boot":1}']


def test_unknown_keys_never_make_a_record_invalid_and_are_kept() -> None:
    heard, refused = hear_wakes(b'{"boot":1,"seq":2,"cause":"timer","fw":"1.2","set":{"lo":1,"gain":3}}')
    assert refused == []
    assert heard[0].record.set == BandSettings(lo=1.0)
    assert heard[0].extra == {"fw": "1.2", "set.gain": 3}


def test_unknown_cause_is_kept_as_given() -> None:
    assert decode_wakes(b'{"boot":1,"seq":2,"cause":"lid_opened"}')[0][0].cause == "lid_opened"


def test_a_sensor_that_gave_null_costs_only_its_own_reading() -> None:
    records, _ = decode_wakes(b'{"boot":1,"seq":2,"cause":"timer","reading":{"level_v":null,"soil_pct":31}}')
    assert records[0].reading == {"soil_pct": 31.0}


def test_a_whole_number_written_with_a_point_is_whole() -> None:
    """JSON knows one kind of number (RFC 8259 §6; JSON Schema 2020-12 core §6.3: 1.0 is an integer)."""
    assert decode_wakes(b'{"boot":1.0,"seq":2e0,"cause":"timer"}')[0][0].seq == 2


def test_of_a_key_given_twice_the_last_counts() -> None:
    assert decode_wakes(b'{"boot":1,"seq":2,"cause":"timer","seq":9}')[0][0].seq == 9


@pytest.mark.parametrize("node", ["n1", "A-b_c.9", "x" * 64])
def test_topic_and_node_round_trip(node: str) -> None:
    assert parse_topic(topic_of("salt/marsh", node, "wake"), "salt/marsh") == (node, "wake")


@pytest.mark.parametrize(
    "topic",
    ["m/n 1/wake", "m/+/wake", "m/#", "m/n1/wake/x", "x/n1/wake", "m//wake", "m/" + "x" * 65 + "/wake", "m/n1/other",
     "$SYS/n1/wake", "m/n\x00/wake", "m/nä/wake", "m/n1/wake\n"],
)  # fmt: skip
def test_other_topics_are_refused(topic: str) -> None:
    with pytest.raises(MessageError) as why:
        parse_topic(topic, "m")
    assert why.value.reason == SetAsideReason.BAD_TOPIC


@pytest.mark.parametrize("payload", [b"", b"{}", b'{"rev":-1,"answer":"taken"}', b'{"rev":1,"answer":"maybe"}', b"[]"])
def test_what_is_no_answer_is_refused(payload: bytes) -> None:
    with pytest.raises(MessageError):
        decode_answer(payload)


finite = st.floats(allow_nan=False, allow_infinity=False)
some_hists = st.builds(Histogram, lo=finite, step=st.floats(1e-9, 9), n=st.lists(st.integers(0, 9)))
some_records = st.builds(
    WakeRecord,
    boot=st.integers(0, 2**32 - 1),
    seq=st.integers(0, 2**32 - 1),
    cause=st.text(max_size=20),
    t=st.none() | finite,
    up_s=st.none() | st.floats(0, 1e9),
    late_s=st.none() | st.floats(0, 1e9),
    reading=st.none() | st.dictionaries(st.text(max_size=9), finite, max_size=3),
    batt_mv=st.none() | st.floats(0, 1e5),
    tries=st.none() | st.integers(0, 2**31),
    asleep=st.none()
    | st.builds(Asleep, n=st.integers(0, 10**6), sd=st.none() | st.floats(0, 9), hist=st.none() | some_hists),
    set=st.none() | st.builds(BandSettings, lo=st.none() | finite, rev=st.integers(0, 99), trial=st.booleans()),
    life=st.none() | st.builds(Life, word=st.none() | st.from_regex(r"[0-9a-f]{16}", fullmatch=True)),
)  # fmt: skip
unknown = st.recursive(
    st.none() | st.booleans() | finite | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=3),
    max_leaves=9,
)


@settings(max_examples=150, deadline=None)
@given(st.lists(some_records, min_size=1, max_size=3))
def test_decoding_undoes_encoding(records: list[WakeRecord]) -> None:
    assert decode_wakes(encode_wakes(records)) == (records, [])


@settings(max_examples=200, deadline=None)
@given(unknown | st.dictionaries(st.sampled_from(["boot", "seq", "cause", "t", "set", "asleep", "zz"]), unknown))
def test_any_json_is_a_record_or_refused_and_never_raises(value: Any) -> None:
    records, refused = decode_wakes(json.dumps(value).encode())
    assert records or refused or value == []


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_refused_and_never_raise(payload: bytes) -> None:
    decode_wakes(payload)


def test_unknown_keys_come_back_when_written_again() -> None:
    payload = b'{"boot":1,"seq":2,"cause":"timer","set":{"lo":1.0,"rev":0,"gain":3},"fw":"1.2"}'
    heard, _ = hear_wakes(payload)
    assert json.loads(encode_wakes([heard[0].record], [heard[0].extra])) == json.loads(payload)
