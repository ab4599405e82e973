"""A mapping tried on a sample: nothing is stored."""

from __future__ import annotations

from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import Any

from fleet.clock import now_s
from fleet.errors import MessageError, SetupError
from fleet.wire_mapping import MISSING, Field, Reader, left_over
from ingest.dialects import Dialects
from ingest.tables import table_rows


def try_sample(dialects: Dialects | None, sample: Path, topic: str | None, count: int) -> list[dict[str, Any]]:
    """For each record of the sample: dialect, fields, what is left over, and what comes out in words.

    Raises
    ------
    SetupError
        If no dialect fits the topic, or the sample can't be read.
    """
    if dialects is None or not dialects.readers:
        raise SetupError("the mapping file holds no dialect.")
    reader = dialects.for_file(sample)
    if reader is not None:
        payloads = [payload for _, payload in islice(table_rows(sample, reader.dialect.format), count)]
        name = sample.name
    else:
        reader = _reader(dialects, topic)
        payloads, name = [_bytes_of(sample)], topic or _topic_of(reader)
    return [one for payload in payloads for one in _tried(reader, name, payload)][:count]


def _reader(dialects: Dialects, topic: str | None) -> Reader:
    for reader in dialects.readers:
        if topic is None or reader.matches(topic):
            return reader
    raise SetupError(f"no dialect of the mapping fits the topic {topic!r}. Look at the `topic` patterns.")


def _topic_of(reader: Reader) -> str:
    return (reader.dialect.topic or "").replace("{node}", "sample").replace("+", "x").replace("#", "x")


def _bytes_of(sample: Path) -> bytes:
    try:
        return sample.read_bytes()
    except OSError as why:
        raise SetupError(f"{sample}: {why.strerror}. Give a file with one payload.") from why


def _tried(reader: Reader, topic: str, payload: bytes) -> list[dict[str, Any]]:
    at = now_s()
    found = reader.read(topic, payload, at)
    try:
        values = list(reader.values(payload, at))
    except MessageError:
        values = []
    tried = []
    for index, one in enumerate(found):
        value = values[index] if index < len(values) else None
        fields: list[Field] = []
        if value is not None:
            with suppress(ValueError, TypeError):  # what is wrong with it stands in `says`
                fields = reader.fields(value)
        tried.append(
            {
                "dialect": reader.dialect.name,
                "node": one.node,
                "fields": [
                    {"key": f.key, "path": f.path, "found": _shown(f.found), "value": _shown(f.value)} for f in fields
                ],
                "left_over": left_over(reader, value),
                "says": f"node {one.node}, a wake record" if one.heard else f"set aside: {one.refused[0].detail}",
            }
        )
    return tried


def _shown(value: Any) -> Any:
    return None if value is MISSING else value
