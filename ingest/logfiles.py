"""Recordings → store: resumable and idempotent. What was loaded is known by what a file holds, not by its name."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import msgspec

from fleet.clock import now_s
from fleet.errors import MessageError
from fleet.store.arrived import Unreadable
from fleet.store.engine import Store
from fleet.store.records import Writer
from fleet.store.set_aside import origins
from fleet.store.state import read_state, write_state
from fleet.wire_recording import BadLine, decode_line, opened_recording
from ingest.arrival import Arrival
from ingest.dialects import Dialects
from ingest.sorting import Batch, Sorter
from ingest.tables import table_rows
from ingest.writer import write

BATCH_COUNT = 5000
HEAD_LINES = 5


class Mark(msgspec.Struct, frozen=True):
    """How far a file was loaded: so many lines, which hash to this."""

    lines: int
    digest: str


class Line(NamedTuple):
    """One line of a file with its number."""

    number: int
    text: bytes


@dataclass
class Loaded:
    """What loading a file did."""

    lines_count: int = 0
    skipped_count: int = 0
    stored_count: int = 0
    duplicate_count: int = 0
    set_aside_count: int = 0
    new_nodes: list[str] = field(default_factory=list)


def load_file(
    store: Store,
    path: Path,
    *,
    root: str | None,
    banded: Mapping[str, str] | None = None,
    foreign: Dialects | None = None,
    on_progress: Callable[[int], None] | None = None,
) -> Loaded:
    """Store what a recording holds, or a log that a mapping reads; what was loaded of it before is passed over.

    Raises
    ------
    MessageError
        If the file can't be read.
    StoreError
        If the database can't be written.
    """
    reader = None if foreign is None else foreign.for_file(path)
    source = partial(lines_of, path) if reader is None else partial(rows_of, path, reader.dialect.format)
    key = f"loaded {_head(source())}"
    load = _Load(store, Sorter(root, banded=banded, foreign=foreign), key, f"{path.name}#{key[7:15]}:")
    mark = _mark_of(store, source(), key)
    made_s = path.stat().st_mtime
    try:
        for line in source():
            if load.passed_over(line, mark):
                continue
            if reader is None:
                _take(line, load.start, load.arrivals, load.asides)
            else:
                load.arrivals.append(Arrival(path.name, line.text, made_s, 0, 0, f"{load.start}{line.number}"))
            load.commit_if(BATCH_COUNT)
            if on_progress is not None:
                on_progress(len(line.text))
        load.commit_if(1)
    finally:
        load.writer.close()
    return load.loaded


class _Load:
    """One file on its way into the store."""

    def __init__(self, store: Store, sorter: Sorter, key: str, start: str) -> None:
        self.start = start
        self.loaded = Loaded()
        self.writer = Writer(store)
        self.arrivals: list[Arrival] = []
        self.asides: list[Unreadable] = []
        self._store, self._sorter, self._key = store, sorter, key
        self._known = origins(store, start)
        self._digest = hashlib.blake2b(digest_size=16)

    def passed_over(self, line: Line, mark: Mark) -> bool:
        """Count a line; True if an earlier load took it."""
        self._digest.update(line.text)
        self.loaded.lines_count = line.number
        if line.number > mark.lines:
            return False
        self.loaded.skipped_count += 1
        return True

    def commit_if(self, count: int) -> None:
        """Store what was taken once it is so much, and note how far the file is loaded."""
        if len(self.arrivals) + len(self.asides) < count:
            return
        batch = self._sorter.sort(self.arrivals)
        asides = [one for one in [*batch.asides, *self.asides] if one.origin is None or one.origin not in self._known]
        written = write(self.writer, Batch(batch.records, batch.answers, asides), [])
        mark = Mark(self.loaded.lines_count, self._digest.hexdigest())
        with self._store.write() as conn:
            write_state(conn, self._key, msgspec.json.encode(mark).decode())
        self.loaded.stored_count += written.stored_count
        self.loaded.duplicate_count += written.duplicate_count
        self.loaded.set_aside_count += written.set_aside_count
        self.loaded.new_nodes += written.new_nodes
        self.arrivals, self.asides = [], []


def _take(line: Line, start: str, arrivals: list[Arrival], asides: list[Unreadable]) -> None:
    """Put a line where it belongs."""
    if not line.text.strip():
        return
    try:
        at, topic, payload = decode_line(line.text)
        arrivals.append(Arrival(topic, payload, at, 0, 0, f"{start}{line.number}"))
    except MessageError as why:
        detail = f"line {line.number}: {why}"
        asides.append(Unreadable(now_s(), "", line.text.rstrip(b"\r\n"), why.reason, detail, f"{start}{line.number}"))


def lines_of(path: Path) -> Iterator[Line]:
    """The lines of a file, unpacked; a file that breaks off ends with the last whole line.

    Raises
    ------
    MessageError
        If the file can't be read to its end; what came before was given.
    """
    with opened_recording(path) as file:
        for number, text in enumerate(iter(lambda: file.readline(1 << 20), b""), 1):
            yield Line(number, text)


def rows_of(path: Path, kind: str) -> Iterator[Line]:
    """The rows of a log, each as JSON."""
    for number, payload in table_rows(path, kind):
        yield Line(number, payload)


def _head(lines: Iterator[Line]) -> str:
    """What tells one file from another: its first lines."""
    head = b"\n".join(line.text for line in islice(lines, HEAD_LINES))
    return hashlib.blake2b(head, digest_size=16).hexdigest()


def _mark_of(store: Store, lines: Iterator[Line], key: str) -> Mark:
    """How far this very file was loaded before; a file that only begins alike is loaded from its start."""
    with store.read() as conn:
        text = read_state(conn, key)
    if text is None:
        return Mark(0, "")
    mark = msgspec.json.decode(text, type=Mark)
    digest = hashlib.blake2b(digest_size=16)
    for line in lines:
        digest.update(line.text)
        if line.number == mark.lines:
            return mark if digest.hexdigest() == mark.digest else Mark(0, "")
    return Mark(0, "")


def preview(path: Path, *, foreign: Dialects | None = None, count: int = 5) -> Iterator[Arrival | BadLine]:
    """The first messages of a file, as they would be sorted."""
    reader = None if foreign is None else foreign.for_file(path)
    if reader is not None:
        for row in islice(rows_of(path, reader.dialect.format), count):
            yield Arrival(path.name, row.text, path.stat().st_mtime, 0, 0)
        return
    for line in islice(lines_of(path), count):
        try:
            at, topic, payload = decode_line(line.text)
            yield Arrival(topic, payload, at, 0, 0)
        except MessageError as why:
            yield BadLine(line.number, str(why), line.text)
