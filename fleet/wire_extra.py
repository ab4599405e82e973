"""What of a record has no column of its own: kept as JSON text beside it, and put back together from there."""

from __future__ import annotations

from typing import Any

import msgspec

from fleet.messages import WakeRecord
from fleet.words import CAUSE_OF_WORD, Cause

_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(dict[str, Any]).decode


def cause_of(word: str) -> Cause:
    """The cause that a word on the wire stands for.

    >>> cause_of("band_high"), cause_of("lid_opened")
    (<Cause.BAND_HIGH: 2>, <Cause.OTHER: 10>)
    """
    return CAUSE_OF_WORD.get(word, Cause.OTHER)


def banded_value(record: WakeRecord, banded_reading: str | None) -> float | None:
    """The reading that the coprocessor compares: the one named, or the only one there is.

    >>> banded_value(WakeRecord(boot=1, seq=1, cause="timer", reading={"level_v": 1.2, "soil_pct": 30.0}), "level_v")
    1.2
    """
    if not record.reading:
        return None
    if banded_reading:
        return record.reading.get(banded_reading)
    return next(iter(record.reading.values())) if len(record.reading) == 1 else None


def extra_text(record: WakeRecord, unknown: dict[str, Any] | None, banded_reading: str | None) -> str | None:
    """JSON text of what has no column: cause, reading, hist, word, seen, digest, unknown; None if nothing.

    >>> record = WakeRecord(boot=1, seq=1, cause="lid", reading={"level_v": 1.2, "soil_pct": 30.0})
    >>> extra_text(record, {"fw": "1.4"}, "level_v")
    '{"cause":"lid","reading":{"soil_pct":30.0},"unknown":{"fw":"1.4"}}'
    """
    reading = record.reading
    has_parts = record.asleep is not None or record.set is not None or record.life is not None
    bare = unknown is None and not has_parts and record.cause in CAUSE_OF_WORD
    if bare and (not reading or (len(reading) == 1 and banded_reading in reading)):
        return None  # the common case, and this is the hot path
    extra: dict[str, Any] = {}
    if record.cause not in CAUSE_OF_WORD:
        extra["cause"] = record.cause
    if reading and (len(reading) > 1 or banded_reading not in reading):
        extra["reading"] = {name: value for name, value in reading.items() if name != banded_reading}
    if record.asleep is not None and record.asleep.hist is not None:
        extra["hist"] = record.asleep.hist
    if record.life is not None and record.life.word is not None:
        extra["word"] = record.life.word
    if record.set is not None:
        if record.set.seen is not None and record.set.seen != record.set.rev:
            extra["seen"] = record.set.seen
        if record.set.digest is not None:
            extra["digest"] = record.set.digest
    if unknown:
        extra["unknown"] = unknown
    return _encode(extra).decode() if extra else None


def read_extra(text: str | None) -> dict[str, Any]:
    """The values behind a record's `extra` text.

    >>> read_extra(None)
    {}
    """
    return _decode(text) if text else {}
