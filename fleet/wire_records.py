"""Messages in, frames out: what a recording holds as RECORD and SETTING frames, repeats left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fleet.errors import MessageError
from fleet.frames import RECORD, SETTING
from fleet.messages import OrderAnswer, WakeRecord
from fleet.wire import PAYLOAD_LIMIT_BYTES, decode_answer, hear_wakes, parse_topic
from fleet.wire_extra import banded_value, cause_of
from fleet.wire_recording import BadLine, Message, read_recording
from fleet.wire_repeats import first_of_each
from fleet.wire_time import place_in_time
from fleet.words import SetAsideReason

_SETTINGS = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
_PLAIN = ("up_s", "late_s", "batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "tries", "rssi_dbm", "temp_c", "runs")
_ASLEEP = ("n", "min", "max", "mean", "sd")


class NodeRecord(NamedTuple):
    """A wake record with its node and arrival; `extra` holds the keys that the contract does not know."""

    node: str
    arrived: float
    record: WakeRecord
    extra: dict[str, Any] | None = None


class NodeAnswer(NamedTuple):
    """An answer with its node and arrival."""

    node: str
    arrived: float
    answer: OrderAnswer


class Aside(NamedTuple):
    """A payload or line that was refused, and why."""

    arrived: float
    topic: str
    raw: bytes
    reason: SetAsideReason
    detail: str


Sorted = NodeRecord | NodeAnswer | Aside


@dataclass(frozen=True)
class Recorded:
    """What recordings held. `hists` maps a row of `records` to lower edge, step and counts of its histogram."""

    records: pd.DataFrame
    settings: pd.DataFrame
    hists: dict[int, tuple[float, float, list[int]]]
    node_ids: dict[str, int]
    answers: list[NodeAnswer]
    asides: list[Aside]
    repeats_count: int
    last_arrived: float


def sort_message(message: Message, root: str | None, limit_bytes: int = PAYLOAD_LIMIT_BYTES) -> list[Sorted]:
    """The records, answers and refused parts of one message; the tool's own messages (receipts, orders) give nothing.

    >>> sort_message(Message(5.0, "m/n1/answer", b'{"rev": 8, "answer": "taken"}'), "m")
    [NodeAnswer(node='n1', arrived=5.0, answer=OrderAnswer(rev=8, answer='taken', why=None))]
    """
    at, topic, payload = message
    try:
        node, kind = parse_topic(topic, root)
        if kind == "answer":
            return [NodeAnswer(node, at, decode_answer(payload, limit_bytes))]
    except MessageError as why:
        return [Aside(at, topic, payload, SetAsideReason(why.reason), str(why))]
    if kind != "wake":
        return []
    heard, refused = hear_wakes(payload, limit_bytes)
    found: list[Sorted] = [NodeRecord(node, at, record, extra) for record, extra in heard]
    found += [Aside(at, topic, one.raw, one.reason, one.detail) for one in refused]
    return found


def read_recordings(
    paths: Sequence[Path],
    *,
    node_ids: Mapping[str, int] | None = None,
    banded: Mapping[str, str] | None = None,
    root: str | None = None,
) -> Recorded:
    """All of some recordings as frames.

    Parameters
    ----------
    node_ids
        Numbers of the nodes that are known; others get the numbers after the highest.
    banded
        Name of each node's banded reading.
    root
        Topic root; None takes any.

    Raises
    ------
    MessageError
        If a file can't be read. Bad lines and payloads are in `asides`.
    """
    messages = chain.from_iterable(_named(path) for path in paths)
    return as_recorded(messages, node_ids=node_ids, banded=banded, root=root)


def _named(path: Path) -> Iterable[Message | BadLine]:
    for line in read_recording(path):
        yield line if isinstance(line, Message) else line._replace(detail=f"{path}: {line.detail}")


def as_recorded(
    messages: Iterable[Message | BadLine],
    *,
    node_ids: Mapping[str, int] | None = None,
    banded: Mapping[str, str] | None = None,
    root: str | None = None,
) -> Recorded:
    """Messages as frames; see `read_recordings`."""
    records: list[NodeRecord] = []
    answers: list[NodeAnswer] = []
    asides: list[Aside] = []
    last_arrived = float("-inf")
    for message in messages:
        if isinstance(message, BadLine):
            asides.append(Aside(float("nan"), "", message.raw, message.reason, message.detail))
            continue
        last_arrived = max(last_arrived, message.at)
        for one in sort_message(message, root):
            (records if isinstance(one, NodeRecord) else answers if isinstance(one, NodeAnswer) else asides).append(one)  # type: ignore[arg-type]  # told apart in the line
    ids = _numbered({one.node for one in records} | {one.node for one in answers}, node_ids or {})
    records.sort(key=lambda one: one.arrived)
    frame, settings = frames_of(records, ids, banded or {})
    kept = first_of_each(frame, [_word(one.record) for one in records])
    hists = {row: _hist(records[index].record) for row, index in enumerate(kept.tolist()) if _has_hist(records[index])}
    return Recorded(
        records=frame.iloc[kept].reset_index(drop=True),
        settings=settings,
        hists=hists,
        node_ids=ids,
        answers=answers,
        asides=asides,
        repeats_count=len(records) - len(kept),
        last_arrived=last_arrived,
    )


def _numbered(names: set[str], known: Mapping[str, int]) -> dict[str, int]:
    ids = dict(known)
    following = max(ids.values(), default=0) + 1
    return ids | {name: number for number, name in enumerate(sorted(names - ids.keys()), following)}


def _word(record: WakeRecord) -> str | None:
    return record.life.word if record.life is not None else None


def _has_hist(one: NodeRecord) -> bool:
    return one.record.asleep is not None and one.record.asleep.hist is not None


def _hist(record: WakeRecord) -> tuple[float, float, list[int]]:
    hist = record.asleep.hist  # type: ignore[union-attr]  # asked by _has_hist
    return hist.lo, hist.step, list(hist.n)  # type: ignore[union-attr]  # asked by _has_hist


def frames_of(
    records: Sequence[NodeRecord], node_ids: Mapping[str, int], banded: Mapping[str, str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """RECORD and SETTING frames of records, one row each, in the order given, repeats included."""
    wakes = [one.record for one in records]
    columns: dict[str, Any] = {name: _column([getattr(wake, name) for wake in wakes]) for name in _PLAIN}
    for name in _ASLEEP:
        columns[f"asleep_{name}"] = _column([getattr(w.asleep, name) if w.asleep is not None else None for w in wakes])
    columns["node_id"] = np.array([node_ids[one.node] for one in records], dtype=np.int64)
    columns["boot"] = np.array([wake.boot for wake in wakes], dtype=np.int64)
    columns["seq"] = np.array([wake.seq for wake in wakes], dtype=np.int64)
    columns["arrived"] = np.array([one.arrived for one in records], dtype=np.float64)
    columns["clock_t"] = _column([wake.t for wake in wakes])
    columns["cause"] = np.array([cause_of(wake.cause) for wake in wakes], dtype=np.int8)
    columns["reading"] = _column([banded_value(one.record, banded.get(one.node)) for one in records])
    columns["trial"] = np.array([wake.set is not None and wake.set.trial for wake in wakes], dtype=np.int8)
    columns["life_wakes"] = _column([wake.life.wakes if wake.life is not None else None for wake in wakes])
    columns["set_id"], settings = _settings_of(records, node_ids)
    placed = place_in_time(
        series=columns["node_id"],
        boot=columns["boot"],
        seq=columns["seq"],
        arrived=columns["arrived"],
        clock_t=columns["clock_t"],
        late_s=columns["late_s"],
        up_s=columns["up_s"],
    )
    columns["t"], columns["time_from"] = placed.t, placed.time_from
    return pd.DataFrame({name: np.asarray(columns[name]).astype(dtype) for name, dtype in RECORD.items()}), settings


def _column(values: list[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array(values, dtype=np.float64)  # None becomes NaN


def _settings_of(records: Sequence[NodeRecord], node_ids: Mapping[str, int]) -> tuple[list[int], pd.DataFrame]:
    """Number of each record's settings (-1: none), and one row for every different settings of a node."""
    known: dict[tuple[Any, ...], int] = {}
    numbers: list[int] = []
    for one in records:
        given = one.record.set
        if given is None:
            numbers.append(-1)
            continue
        key = (node_ids[one.node], given.rev, *(getattr(given, name) for name in _SETTINGS))
        numbers.append(known.setdefault(key, len(known) + 1))
    rows = [(number, *key) for key, number in known.items()]
    frame = pd.DataFrame(rows, columns=list(SETTING)) if rows else pd.DataFrame(columns=list(SETTING))
    return numbers, frame.astype(SETTING)
