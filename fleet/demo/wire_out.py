"""Simulated records as the messages of the wire contract, in order of arrival."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import numpy as np

from fleet.demo.creek import rng_of
from fleet.demo.lives import NodeLife
from fleet.demo.records import Told
from fleet.demo.spec import FaultKind, NodeSpec
from fleet.messages import BandSettings
from fleet.units import D_PER_WEEK, S_PER_D
from fleet.words import Cause

Message = tuple[float, str, bytes]
"""Arrival time in seconds, topic, payload."""

WORD_OF_CAUSE = {int(cause): cause.word for cause in Cause}
PLAIN = ("up_s", "late_s", "batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "tries", "rssi_dbm", "temp_c", "runs")
WHOLE = {"batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "tries", "rssi_dbm", "runs"}
ASLEEP = ("asleep_n", "asleep_min", "asleep_max", "asleep_mean", "asleep_sd")
COUNTED = {"asleep_n"}


def messages_of(lives: Sequence[NodeLife], root: str) -> Iterator[Message]:
    """Every message of these lives in order of arrival, made a week at a time."""
    tales = [(life, place, tale) for life in lives for place, tale in enumerate(life.tales) if len(tale.carrier)]
    if not tales:
        return
    arrived = [np.asarray(tale.columns["arrived"], dtype=float) for _, _, tale in tales]
    begin_s, end_s = min(a.min() for a in arrived), max(a.max() for a in arrived)
    week_s = D_PER_WEEK * S_PER_D
    for number in range(int((end_s - begin_s) // week_s) + 1):
        from_s, to_s = begin_s + number * week_s, begin_s + (number + 1) * week_s
        week: list[Message] = []
        for (life, place, tale), at_s in zip(tales, arrived, strict=True):
            rows = np.flatnonzero((at_s >= from_s) & (at_s < to_s))
            week += told_messages(life, place, tale, rows, names=_names(life, lives), root=root)
        yield from sorted(week)


def told_messages(
    life: NodeLife, place: int, tale: Told, rows: np.ndarray, *, names: tuple[str, str, float], root: str
) -> list[Message]:
    """Messages of some records of one stretch; records that travelled together are one array."""
    records = payloads(life, life.stretches[place].begun.settings, tale, rows)
    name, crossed_name, crossed_s = names
    carriers, arrived = tale.carrier[rows].tolist(), tale.columns["arrived"][rows].tolist()
    encode = msgspec.json.Encoder().encode
    messages: list[Message] = []
    together: list[dict[str, Any]] = []
    for index, (record, carrier) in enumerate(zip(records, carriers, strict=True)):
        together.append(record)
        if index + 1 < len(carriers) and carriers[index + 1] == carrier:
            continue
        at_s = arrived[index]
        node = crossed_name if at_s >= crossed_s else name
        messages.append((at_s, f"{root}/{node}/wake", encode(together[0] if len(together) == 1 else together)))
        together = []
    return messages


def payloads(life: NodeLife, settings: BandSettings, tale: Told, rows: np.ndarray) -> list[dict[str, Any]]:
    """Wake records of some rows, as the wire contract names them; what a node does not know is left out."""
    spec, columns = life.world.spec, tale.columns
    fixed = {"set": settings_payload(settings)}
    word = flash_word(life.world.seed, spec.node)
    reading_name = spec.profile.banded.reading if spec.profile.banded else ""
    plain = [_values(columns[name][rows], whole=name in WHOLE) for name in PLAIN]
    asleep = [_values(columns[name][rows], whole=name in COUNTED) for name in ASLEEP]
    clocks = _clock(spec, columns, rows)
    needed = [columns[name][rows].tolist() for name in ("boot", "seq", "cause", "reading", "life_wakes")]
    records = []
    for index, (boot, seq, cause, reading, wakes) in enumerate(zip(*needed, strict=True)):
        record: dict[str, Any] = {"boot": boot, "seq": seq, "cause": WORD_OF_CAUSE[cause]}
        if clocks[index] is not None:
            record["t"] = clocks[index]
        record |= {name: values[index] for name, values in zip(PLAIN, plain, strict=True) if values[index] is not None}
        if reading_name:
            record["reading"] = {reading_name: reading}
        if asleep[0][index] is not None:
            record["asleep"] = {name[7:]: values[index] for name, values in zip(ASLEEP, asleep, strict=True)}
            hist = tale.hists.get(int(rows[index]))
            if hist:
                record["asleep"]["hist"] = {"lo": hist.lo, "step": hist.step, "n": hist.n}
        record |= fixed
        record["life"] = {"word": word, "wakes": int(wakes)}
        records.append(record)
    return records


def settings_payload(settings: BandSettings) -> dict[str, Any]:
    """`set` of a record: nothing that the node has not, `trial` only while it lasts."""
    told = {name: value for name, value in msgspec.structs.asdict(settings).items() if value is not None}
    if not told["trial"]:
        del told["trial"]
    return told


def flash_word(seed: int, node: str) -> str:
    """The random word of a node's flash, 16 hex digits."""
    return f"{int(rng_of(seed, node, 50).integers(0, 2**63)):016x}"


def _clock(spec: NodeSpec, columns: dict[str, Any], rows: np.ndarray) -> list[float | None]:
    """The clock as sent: one that was never set counts from 1970, so that it says the time since the cold start."""
    clock = columns["clock_t"][rows]
    if spec.fault(FaultKind.CLOCK_UNSET):
        clock = np.where(np.isnan(clock), columns["up_s"][rows], clock)
    return _values(clock, whole=False)


def _values(column: np.ndarray, *, whole: bool) -> list[Any]:
    """Plain values; None where not known."""
    values = np.asarray(column, dtype=float)
    known = ~np.isnan(values)
    listed = np.where(known, values, 0).astype(np.int64).tolist() if whole else values.tolist()
    return listed if known.all() else [value if good else None for value, good in zip(listed, known, strict=True)]


def _names(life: NodeLife, lives: Sequence[NodeLife]) -> tuple[str, str, float]:
    """The node's name, the name it reports under once it changed places, and when that was."""
    spec = life.world.spec
    fault = spec.fault(FaultKind.IDS_CROSSED)
    if fault is None or fault.partner is None:
        return spec.node, spec.node, np.inf
    return spec.node, lives[fault.partner].world.spec.node, life.world.since_s + fault.onset_d * S_PER_D
