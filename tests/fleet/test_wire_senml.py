"""SenML resolved. Examples of RFC 8428, as other implementations quote them in their tests."""

from __future__ import annotations

import json
from typing import Any

import cbor2
import pytest

from fleet.errors import MessageError
from fleet.wire_cbor import decode_cbor
from fleet.wire_senml import by_moment, resolve_senml

NOW_S = 1_500_000_000.0


def resolved(text: str) -> list[tuple[Any, ...]]:
    return [(one.name, one.unit, one.value, one.t) for one in resolve_senml(json.loads(text), NOW_S)]


def test_single_data_point() -> None:
    """RFC 8428 §5.1.1. No time: now."""
    text = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert resolved(text) == [("urn:dev:ow:10e2073a01080063", "Cel", 23.1, NOW_S)]


def test_multiple_data_points_with_base_name() -> None:
    """RFC 8428 §5.1.2, first example."""
    text = '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]'
    assert resolved(text) == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1, NOW_S),
        ("urn:dev:ow:10e2073a01080063:current", "A", 1.2, NOW_S),
    ]


SERIES = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"""


def test_base_time_unit_and_older_version() -> None:
    """RFC 8428 §5.1.2, second example: base time, base unit, version 5."""
    found = resolved(SERIES)
    assert found[0] == ("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1276020076.001)
    assert [(unit, value, round(t, 3)) for _, unit, value, t in found[1:]] == [
        ("A", 1.2, 1276020071.001), ("A", 1.3, 1276020072.001), ("A", 1.4, 1276020073.001),
        ("A", 1.5, 1276020074.001), ("A", 1.6, 1276020075.001), ("A", 1.7, 1276020076.001),
    ]  # fmt: skip


def test_one_name_for_three_units_as_it_moves() -> None:
    """RFC 8428 §5.1.3 (resolved in §5.1.4): the base name alone is the name."""
    text = """[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
      {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"%EL","t":150,"v":98}]"""
    found = resolved(text)
    assert {name for name, *_ in found} == {"urn:dev:ow:10e2073a01080063"}
    assert [unit for _, unit, *_ in found] == ["%RH", "lon", "lat", "%RH", "%EL"]
    assert found[3][2:] == (20.3, 1320067524.0)


def test_different_kinds_of_value() -> None:
    """RFC 8428 §5.1.5: number, text, boolean, data."""
    text = """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"""
    assert [value for _, _, value, _ in resolved(text)] == [23.1, "Machine Room", False, "aGkgCg"]


def test_cbor_gives_the_same() -> None:
    """Labels of RFC 8428 table 4; the series above in CBOR."""
    labels = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "n": 0, "u": 1, "v": 2, "t": 6}
    packed = cbor2.dumps([{labels[key]: value for key, value in item.items()} for item in json.loads(SERIES)])
    assert resolve_senml(decode_cbor(packed), NOW_S) == resolve_senml(json.loads(SERIES), NOW_S)


def test_times_below_two_to_the_28_count_from_now() -> None:
    """RFC 8428 §4.5.3."""
    assert resolved('[{"n":"a","v":1,"t":-60},{"n":"a","v":1,"t":268435455},{"n":"a","v":1,"t":268435456}]')[0][3] == (
        NOW_S - 60
    )
    assert [t for *_, t in resolved('[{"n":"a","v":1,"t":268435455},{"n":"a","v":1,"t":268435456}]')] == [
        NOW_S + 268435455, 268435456.0
    ]  # fmt: skip


def test_base_value_and_sums_are_added() -> None:
    """RFC 8428 §4.5.4: a missing one of the two counts as zero."""
    found = resolve_senml([{"bn": "m:", "bv": 20, "bs": 100, "n": "a", "v": 1, "s": 2}, {"n": "b", "s": 3}], NOW_S)
    assert [(one.value, one.total) for one in found] == [(21, 102), (20, 103)]


@pytest.mark.parametrize(
    "text",
    [
        '[{"n":"a","v":1,"must_":true}]',  # §4.4: a label ending in _ that is not known
        '[{"n":"a","v":1,"bver":11}]',  # §4.4: a newer version
        '[{"n":"a","v":1,"vs":"x"}]',  # §4.2: exactly one value
        '[{"n":"a"}]', '[{"v":1}]', '[{"n":"-a","v":1}]', '[{"n":"a b","v":1}]', '[{"n":"a","v":"1"}]',
        '[{"n":"a","vb":1}]', '[{"n":7,"v":1}]', '{"n":"a","v":1}', "[]", "[3]",
    ],
)  # fmt: skip
def test_a_pack_that_breaks_a_rule_is_refused(text: str) -> None:
    with pytest.raises(MessageError):
        resolve_senml(json.loads(text), NOW_S)


def test_unknown_fields_are_ignored() -> None:
    assert len(resolve_senml([{"n": "a", "v": 1, "colour": "red"}], NOW_S)) == 1


def test_measurements_of_one_moment_stand_together() -> None:
    found = by_moment(resolve_senml(json.loads(SERIES), NOW_S))
    assert len(found) == 6
    assert found[0] == {"bn": "urn:dev:ow:10e2073a0108006:", "t": 1276020076.001, "voltage": 120.1, "current": 1.7}


@pytest.mark.parametrize(
    "raw",
    [
        "", "1b00", "9bffffffffffffffff", "5bffffffffffffffff", "bf01", "9f", "ff", "1c", "5f01ff", "f5f5",
        "d81c80", "d81d00", "c074323031332d30332d32315432303a30343a30305a", "c249010000000000000000", "81" * 400 + "00",
        "a1810101", "5f5f4100ffff",
    ],
)  # fmt: skip
def test_hostile_cbor_is_refused(raw: str) -> None:
    """RFC 8949 §5.3.1: well-formedness; no tags at all (28, 29 would share references); nothing after the item."""
    with pytest.raises(MessageError):
        decode_cbor(bytes.fromhex(raw))
