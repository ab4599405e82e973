"""Arrivals → what the store takes: records with their time, answers, and what can't be read, each with its reason."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from fleet.errors import MessageError
from fleet.messages import WakeRecord
from fleet.store.arrived import ArrivedAnswer, ArrivedRecord, Unreadable
from fleet.wire import PAYLOAD_LIMIT_BYTES, Extra, Heard, Refused, decode_answer, decode_one, hear_wakes, parse_topic
from fleet.wire_extra import banded_value, extra_text
from fleet.wire_mapping import Found
from fleet.words import SetAsideReason
from ingest.arrival import Arrival
from ingest.placing import Placer

log = logging.getLogger(__name__)

TOPICS_KEPT_COUNT = 200_000

Foreign = Callable[[str, bytes, float], list[Found] | None]
"""Dialects: node and records of a payload on a topic that is not the contract's; None if none reads that topic."""


@dataclass
class Batch:
    """What one transaction will hold."""

    records: list[ArrivedRecord] = field(default_factory=list)
    answers: list[ArrivedAnswer] = field(default_factory=list)
    asides: list[Unreadable] = field(default_factory=list)


class Sorter:
    """Sorts arrivals. `banded` names each node's banded reading; it may be replaced when the node list changes."""

    def __init__(
        self,
        root: str | None,
        *,
        banded: Mapping[str, str] | None = None,
        limit_bytes: int = PAYLOAD_LIMIT_BYTES,
        foreign: Foreign | None = None,
    ) -> None:
        self.banded: Mapping[str, str] = banded or {}
        self._root = root
        self._limit_bytes = limit_bytes
        self._foreign = foreign
        self._placer = Placer()
        self._kinds: dict[str, tuple[str, str]] = {}

    def sort(self, arrivals: Iterable[Arrival]) -> Batch:
        """All of some arrivals; never raises for what a node sent."""
        batch = Batch()
        for arrival in arrivals:
            try:
                self._sort_one(arrival, batch)
            except Exception as why:  # a fault of ours must cost neither the loop nor the message: it is kept aside
                log.exception("%s: payload set aside because of an error in the ingester", arrival.topic)
                self._aside(batch, arrival, Refused(SetAsideReason.NOT_VALID, f"ingester: {why!r}", arrival.payload))
        return batch

    def _sort_one(self, arrival: Arrival, batch: Batch) -> None:
        known = self._kinds.get(arrival.topic)
        if known is None:
            try:
                known = parse_topic(arrival.topic, self._root)
            except MessageError as why:
                self._sort_foreign(arrival, batch, why)
                return
            if len(self._kinds) >= TOPICS_KEPT_COUNT:
                self._kinds.clear()
            self._kinds[arrival.topic] = known
        node, kind = known
        if kind == "wake":
            record = decode_one(arrival.payload, self._limit_bytes)
            if record is not None:
                self._take_one(node, arrival.at, record, None, batch=batch)
                return
            heard, refused = hear_wakes(arrival.payload, self._limit_bytes)
            self._take(node, arrival, heard, refused, batch)
        elif kind == "answer":
            try:
                answer = decode_answer(arrival.payload, self._limit_bytes)
                batch.answers.append(ArrivedAnswer(node, answer, arrival.at))
            except MessageError as why:
                self._aside(batch, arrival, Refused(SetAsideReason(why.reason), str(why), arrival.payload))

    def _sort_foreign(self, arrival: Arrival, batch: Batch, why: MessageError) -> None:
        found = None if self._foreign is None else self._foreign(arrival.topic, arrival.payload, arrival.at)
        if found is None:
            reason = SetAsideReason.BAD_TOPIC if self._foreign is None else SetAsideReason.NO_MAPPING
            self._aside(batch, arrival, Refused(reason, str(why), arrival.payload))
            return
        for node, at, heard, refused in found:
            self._take(node, arrival._replace(at=at), heard, refused, batch)

    def _take(self, node: str, arrival: Arrival, heard: list[Heard], refused: list[Refused], batch: Batch) -> None:
        for record, unknown in heard:
            self._take_one(node, arrival.at, record, unknown, batch=batch)
        for one in refused:
            self._aside(batch, arrival, one)

    def _take_one(self, node: str, at: float, record: WakeRecord, unknown: Extra | None, /, batch: Batch) -> None:
        banded = self.banded.get(node)
        t, time_from = self._placer.place(node, at, record)
        reading, extra = banded_value(record, banded), extra_text(record, unknown, banded)
        batch.records.append(ArrivedRecord(node, record, at, t, time_from, reading, extra))

    def _aside(self, batch: Batch, arrival: Arrival, refused: Refused) -> None:
        batch.asides.append(
            Unreadable(arrival.at, arrival.topic, refused.raw, refused.reason, refused.detail, arrival.origin)
        )
