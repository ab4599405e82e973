"""Recordings → frames: repeats, wraps, wiped flash, bad lines, compression."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from backports import zstd
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.frames import RECORD, SETTING
from fleet.wire_recording import BadLine, Message, decode_line, encode_line, read_recording, write_recording
from fleet.wire_records import as_recorded, read_recordings

START_S = 1.8e9
DAY_S = 86_400.0


def message(seq: int, at: float, more: str = "", boot: int = 1, node: str = "n1") -> Message:
    return Message(at, f"m/{node}/wake", f'{{"boot":{boot},"seq":{seq},"cause":"timer"{more}}}'.encode())


def test_frames_have_the_columns_of_the_contract_between_stages() -> None:
    found = as_recorded([message(1, START_S, ',"set":{"lo":1,"rev":2},"reading":{"level_v":1.5}')])
    assert {name: str(dtype) for name, dtype in found.records.dtypes.items()} == RECORD
    assert {name: str(dtype) for name, dtype in found.settings.dtypes.items()} == SETTING
    assert found.records["reading"].tolist() == [1.5]
    assert found.records["set_id"].tolist() == found.settings["set_id"].tolist()
    assert np.isnan(found.records["batt_mv"].iloc[0])


def test_no_records_make_empty_frames() -> None:
    found = as_recorded([])
    assert (len(found.records), len(found.settings), list(found.records.columns)) == (0, 0, list(RECORD))


def test_the_same_name_twice_is_the_same_record_and_the_first_stays() -> None:
    found = as_recorded([message(1, START_S, ',"batt_mv":3000'), message(1, START_S + 60, ',"batt_mv":2000')])
    assert found.records["batt_mv"].tolist() == [3000.0]
    assert found.repeats_count == 1


def test_a_record_that_returns_a_month_later_is_a_repeat() -> None:
    same = ',"batt_mv":3000,"temp_c":4.5'
    assert len(as_recorded([message(1, START_S, same), message(1, START_S + 30 * DAY_S, same)]).records) == 1


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (f',"t":{START_S}', f',"t":{START_S + 455 * DAY_S}'),  # 16 bits at 10 min wrap in 455.111 days
        (',"batt_mv":3100', ',"batt_mv":2900'),
        (',"life":{"word":"00112233aabbccdd"}', ',"life":{"word":"ffeeddccbbaa9988"}'),
        ("", ""),
    ],
)
def test_a_wrapped_counter_or_a_wiped_flash_throws_nothing_away(before: str, after: str) -> None:
    found = as_recorded([message(1, START_S, before), message(1, START_S + 455 * DAY_S, after)])
    assert len(found.records) == 2


def test_numbers_of_known_nodes_stay_and_others_follow() -> None:
    found = as_recorded([message(1, START_S, node="b"), message(1, START_S, node="a")], node_ids={"b": 7})
    assert found.node_ids == {"b": 7, "a": 8}


def test_histograms_stand_by_row() -> None:
    hist = ',"asleep":{"n":3,"hist":{"lo":0,"step":0.5,"n":[1,2]}}'
    found = as_recorded([message(1, START_S), message(2, START_S + 9, hist), message(2, START_S + 9, hist)])
    assert found.hists == {1: (0.0, 0.5, [1, 2])}


@pytest.mark.parametrize("name", ["r.jsonl", "r.jsonl.gz", "r.jsonl.zst"])
def test_a_recording_is_written_and_read_without_loss(tmp_path: Path, name: str) -> None:
    messages = [
        Message(1.25, "m/n1/wake", b'{"boot": 1}'), Message(2.0, "m/n1/retune", b""),
        Message(3.0, "x", b"\xd1\x84\x00\xff"),
        Message(4.0, "x", b'{"base64": "QQ=="}'), Message(5.0, "x", b' {"a":\n1}'), Message(6.0, "x", b"NaN"),
        Message(7.0, "x", b'{"a":"\xff"}'), Message(8.0, "ä/\x00", b"[1,2]"),
    ]  # fmt: skip
    assert write_recording(tmp_path / name, messages) == 8
    assert list(read_recording(tmp_path / name)) == messages


@settings(max_examples=200, deadline=None)
@given(st.floats(0, 2e11), st.text(max_size=20), st.binary(max_size=60) | st.sampled_from([b"{}", b"1", b'"base64"']))
def test_any_message_survives_a_line(at: float, topic: str, payload: bytes) -> None:
    line = encode_line(Message(at, topic, payload))
    assert line.count(b"\n") == 1
    assert decode_line(line) == Message(at, topic, payload)


def test_a_bad_line_is_told_with_its_number_and_the_rest_is_read(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    good = encode_line(message(1, START_S))
    path.write_bytes(
        good + b"oh\n\n" + b'{"at":1e999,"topic":"x","payload":1}\n' + b'{"at":1,"topic":"x"}\n' + good[:-9]
    )
    found = read_recordings([path])
    assert len(found.records) == 1
    assert [one.detail.split(":")[1].strip() for one in found.asides] == ["line 2", "line 4", "line 5", "line 6"]


@pytest.mark.parametrize("pack", [gzip.compress, zstd.compress])
def test_a_file_that_breaks_off_gives_what_it_has(tmp_path: Path, pack: object) -> None:
    lines = b"".join(encode_line(message(n, START_S + n * 60, f',"batt_mv":{n}')) for n in range(5000))
    whole = pack(lines)  # type: ignore[operator]  # either module's compress
    path = tmp_path / "cut"
    path.write_bytes(whole[: len(whole) // 2])
    found = list(read_recording(path))
    assert isinstance(found[-1], BadLine)
    assert sum(isinstance(one, Message) for one in found) > 100
