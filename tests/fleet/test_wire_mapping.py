"""Foreign dialects by mapping file."""

from __future__ import annotations

import cbor2
import pytest

from fleet.errors import SetupError
from fleet.wire_mapping import Found, left_over, load_mapping
from fleet.words import SetAsideReason

LOGGER = """
version = 1
[[dialect]]
name = "loggers"
topic = "loggers/{node}/up"
records = "$.entries[*]"
[dialect.pick]
boot = "$.b"
seq = {path = "$.n"}
cause = {path = "$.why", words = {T = "timer", H = "band_high"}, default = "other_device"}
t = {path = "$.ms", factor = 0.001}
batt_mv = {path = "$.bat.v", factor = 1000}
temp_c = {path = "$.f", factor = 0.5555555555555556, offset = -17.77777777777778}
"reading.level_v" = "$['lvl volts']"
"set.lo" = {default = 0.8}
"""


def read(text: str, topic: str, payload: bytes, at: float = 1.8e9) -> list[Found]:
    return load_mapping(text, "here.toml")[0].read(topic, payload, at)


def test_json_becomes_wake_records() -> None:
    payload = b"""{"entries":[{"b":1,"n":7,"why":"H","ms":1800000000500,"bat":{"v":2.95},"f":50,"lvl volts":1.5},
      {"b":1,"n":8,"why":"Q"}, {"b":1}, 5]}"""
    found = read(LOGGER, "loggers/n7/up", payload)
    record = found[0].heard[0].record
    assert (found[0].node, record.cause, record.t, record.batt_mv) == ("n7", "band_high", 1800000000.5, 2950.0)
    assert record.temp_c == pytest.approx(10.0)  # 50 °F = 10 °C
    assert record.reading == {"level_v": 1.5}
    assert record.set is not None and record.set.lo == 0.8
    assert found[1].heard[0].record.cause == "other_device"
    assert [len(one.heard) for one in found] == [1, 1, 0, 0]
    assert found[2].refused[0].reason == SetAsideReason.NOT_VALID


def test_cbor_with_numbered_keys() -> None:
    text = LOGGER.replace('records = "$.entries[*]"', 'format = "cbor"').replace('"$.b"', "\"$['1']\"")
    found = read(text, "loggers/n7/up", cbor2.dumps({1: 3, "n": 7}))
    assert (found[0].heard[0].record.boot, found[0].heard[0].record.seq) == (3, 7)


def test_senml_by_name() -> None:
    text = """
version = 1
[[dialect]]
name = "senml"
topic = "senml/{node}"
format = "senml-json"
[dialect.pick]
boot = {default = 0}
seq = "$.wakes"
cause = {default = "timer"}
t = "$.t"
batt_mv = {path = "$.battery", factor = 1000}
"""
    payload = b'[{"bn":"urn:x:","bt":1.8e9,"n":"wakes","v":12},{"n":"battery","u":"V","v":3.1}]'
    record = read(text, "senml/n1", payload)[0].heard[0].record
    assert (record.seq, record.t, record.batt_mv) == (12, 1.8e9, 3100.0)


def test_a_log_row_has_its_own_arrival_and_number() -> None:
    text = """
version = 1
[[dialect]]
name = "card"
format = "csv"
file = "{node}-*.csv"
[dialect.pick]
boot = {default = 0}
seq = {derive = "row"}
cause = "$.cause"
t = {path = "$.when", time = "iso8601"}
batt_mv = "$.mv"
"""
    found = read(text, "n3-may.csv", b'{"when":"2026-05-01T06:00:00Z","cause":"timer","mv":"2950","row__":4}')
    record = found[0].heard[0].record
    assert (found[0].node, found[0].at, record.seq, record.batt_mv) == ("n3", 1777615200.0, 4, 2950.0)


@pytest.mark.parametrize(
    "payload", [b"not json", b'{"b":1e999,"n":1}', b'{"b":1,"n":"x"}', b'{"b":1,"n":2,"ms":"soon"}']
)
def test_what_the_mapping_can_not_read_is_refused(payload: bytes) -> None:
    text = LOGGER.replace('records = "$.entries[*]"\n', "")
    found = read(text, "loggers/n7/up", payload)
    assert [len(one.heard) for one in found] == [0]
    assert found[0].refused[0].raw


def test_a_number_that_a_factor_makes_infinite_is_refused() -> None:
    text = LOGGER.replace('records = "$.entries[*]"\n', "").replace("factor = 1000", "factor = 1e308")
    assert read(text, "loggers/n7/up", b'{"b":1,"n":2,"bat":{"v":1e10}}')[0].refused


def test_a_node_name_that_is_no_topic_level_is_refused() -> None:
    text = LOGGER.replace('records = "$.entries[*]"', 'node = "$.id"')
    assert "node '../x'" in read(text, "loggers/q/up", b'{"id":"../x","b":1,"n":2}')[0].refused[0].detail


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("version = 1", "version = 2", "version"),
        ('name = "loggers"', 'name = "loggers"\ntopics = "x"', "topics"),
        ('boot = "$.b"', 'boots = "$.b"', "boots"),
        ('boot = "$.b"', 'boot = "$.[["', "path"),
        ('"set.lo"', '"set.low"', "set.low"),
        ('topic = "loggers/{node}/up"', 'topic = "loggers/+/up"', "node"),
        ("[[dialect]]", "[[dialect", "line"),
    ],
)
def test_a_wrong_mapping_file_is_refused_by_name(old: str, new: str, said: str) -> None:
    with pytest.raises(SetupError) as why:
        load_mapping(LOGGER.replace(old, new), "here.toml")
    assert str(why.value).startswith("here.toml")
    assert said in str(why.value)


def test_what_no_pick_looks_at_is_left_over() -> None:
    reader = load_mapping(LOGGER.replace('records = "$.entries[*]"\n', ""), "here.toml")[0]
    assert left_over(reader, {"b": 1, "n": 2, "bat": {}, "lvl volts": 1, "colour": "red"}) == ["colour"]
