"""A message recording: arrival time, topic and payload a line, streamed from and to gzip, Zstandard or plain text."""

from __future__ import annotations

import base64
import binascii
import gzip
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Annotated, NamedTuple, cast

import msgspec
from backports import zstd

from fleet.errors import MessageError
from fleet.words import SetAsideReason

LINE_LIMIT_BYTES = 262_144
"""A 64 kB payload as base64, or as JSON with white space, stays below this."""


YEAR_10000_S = 253_402_300_800.0


class Message(NamedTuple):
    """One message as it arrived."""

    at: float
    topic: str
    payload: bytes


class BadLine(NamedTuple):
    """A line that is not a message."""

    number: int
    detail: str
    raw: bytes
    reason: SetAsideReason = SetAsideReason.BAD_LINE


class _Line(msgspec.Struct):
    at: Annotated[float, msgspec.Meta(ge=0, lt=YEAR_10000_S)]
    topic: str
    payload: msgspec.Raw


class _Coded(msgspec.Struct, forbid_unknown_fields=True):
    base64: str


_decode_line = msgspec.json.Decoder(_Line).decode
_decode_coded = msgspec.json.Decoder(_Coded).decode
_decode_raw = msgspec.json.Decoder(msgspec.Raw).decode
_WRONG = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


def read_lines(lines: Iterable[bytes]) -> Iterator[Message | BadLine]:
    """Messages of a recording's lines; a line that is none comes out with its number and the reason.

    >>> list(read_lines([b'{"at": 1.5, "topic": "m/n1/wake", "payload": {"boot": 1}}', b"oh"]))[0].payload
    b'{"boot": 1}'
    """
    for number, line in enumerate(lines, 1):
        yield from _numbered(number, line)


def decode_line(line: bytes) -> Message:
    """One line of a recording.

    Raises
    ------
    MessageError
        If it is not one.
    """
    if len(line) > LINE_LIMIT_BYTES:
        raise MessageError(f"{len(line)} bytes; at most {LINE_LIMIT_BYTES} are read", SetAsideReason.BAD_LINE)
    try:
        at, topic, payload = msgspec.structs.astuple(_decode_line(line))
    except _WRONG as why:
        expected = 'expected {"at": seconds, "topic": "…", "payload": …}'
        raise MessageError(f"{why}; {expected}", SetAsideReason.BAD_LINE) from why
    raw = bytes(payload)
    return Message(at, topic, _decoded(raw) if b'"base64"' in raw[:40] else raw)


def _decoded(raw: bytes) -> bytes:
    try:
        return base64.b64decode(_decode_coded(raw).base64, validate=True)
    except _WRONG:
        return raw  # a JSON payload that only looks alike
    except binascii.Error as why:
        raise MessageError(f"payload: not base64: {why}", SetAsideReason.BAD_LINE) from why


def encode_line(message: Message) -> bytes:
    """One line of a recording; what is not one JSON value on one line goes as base64.

    >>> encode_line(Message(1.5, "m/n1/retune", b""))
    b'{"at": 1.5, "topic": "m/n1/retune", "payload": {"base64": ""}}\\n'
    """
    payload = message.payload
    if not _is_plain(payload):
        payload = b'{"base64": "' + base64.b64encode(payload) + b'"}'
    head = b'{"at": ' + msgspec.json.encode(message.at) + b', "topic": ' + msgspec.json.encode(message.topic)
    return head + b', "payload": ' + payload + b"}\n"


def _is_plain(payload: bytes) -> bool:
    """True if the payload comes back byte by byte when it stands in a line as it is."""
    if b"\n" in payload or b"\r" in payload or b'"base64"' in payload[:40] or payload != payload.strip():
        return False
    try:
        payload.decode("utf-8")
        _decode_raw(payload)
    except _WRONG:
        return False
    return True


@contextmanager
def opened_recording(path: Path) -> Iterator[IO[bytes]]:
    """The decompressed bytes of a recording, streamed; the kind is told by the first bytes, not by the name.

    Raises
    ------
    MessageError
        If the file can't be read.
    """
    try:
        with path.open("rb") as file:
            start = file.read(4)
            file.seek(0)
            if start[:2] == b"\x1f\x8b":
                yield cast(IO[bytes], gzip.GzipFile(fileobj=file))
            elif start == b"\x28\xb5\x2f\xfd":
                yield cast(IO[bytes], zstd.ZstdFile(file))
            else:
                yield file
    except (OSError, EOFError, zstd.ZstdError) as why:
        raise MessageError(f"{path}: {why}. Is it a recording?", SetAsideReason.BAD_LINE) from why


@contextmanager
def created_recording(path: Path) -> Iterator[IO[bytes]]:
    """A new recording; `.gz` and `.zst` in the name choose the compression."""
    with path.open("wb") as file:
        if path.suffix == ".gz":
            with gzip.GzipFile(filename="", fileobj=file, mode="wb", mtime=0) as packed:
                yield cast(IO[bytes], packed)
        elif path.suffix == ".zst":
            with zstd.ZstdFile(file, "wb", level=6) as packed:
                yield cast(IO[bytes], packed)
        else:
            yield file


def read_recording(path: Path) -> Iterator[Message | BadLine]:
    """Messages of a recording, streamed; a truncated or damaged end comes out as one last bad line.

    Raises
    ------
    MessageError
        If the file can't be opened.
    """
    number = 0
    with opened_recording(path) as file:
        lines = iter(lambda: file.readline(LINE_LIMIT_BYTES + 1), b"")
        try:
            for number, line in enumerate(lines, 1):
                yield from _numbered(number, line)
        except (EOFError, OSError, zstd.ZstdError) as why:
            yield BadLine(number + 1, f"line {number + 1}: the file breaks off: {why}", b"")


def _numbered(number: int, line: bytes) -> Iterator[Message | BadLine]:
    if not line.strip():
        return
    try:
        yield decode_line(line)
    except MessageError as why:
        yield BadLine(number, f"line {number}: {why}", line.rstrip(b"\r\n"))


def write_recording(path: Path, messages: Iterable[Message]) -> int:
    """Write messages as a recording; returns how many."""
    count = 0
    with created_recording(path) as file:
        for message in messages:
            file.write(encode_line(message))
            count += 1
    return count
