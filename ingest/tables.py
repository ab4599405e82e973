"""Logs from a memory card, row by row: CSV, JSON lines, Parquet. Each row becomes a JSON payload with its number."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from fleet.errors import MessageError
from fleet.store.parquet import need_parquet
from fleet.wire_recording import LINE_LIMIT_BYTES, opened_recording
from fleet.words import SetAsideReason

ROW = "row__"
"""Key of a row's number, which a mapping may take as `seq` with derive = "row"."""


def table_rows(path: Path, kind: str) -> Iterator[tuple[int, bytes]]:
    """Rows of a log with their numbers, from 1, each as JSON; CSV and JSON lines may be packed (.gz, .zst).

    Raises
    ------
    MessageError
        If the file can't be read as what it is said to be.
    """
    rows = {"csv": _csv_rows, "json-lines": _line_rows, "parquet": _parquet_rows}[kind](path)
    for number, row in enumerate(rows, 1):
        if isinstance(row, dict):
            yield number, msgspec.json.encode(row | {ROW: number})
        else:
            yield number, row


def _csv_rows(path: Path) -> Iterator[dict[str, Any] | bytes]:
    with opened_recording(path) as file:
        text = io.TextIOWrapper(file, encoding="utf-8-sig", errors="backslashreplace", newline="")
        try:
            sample = text.read(4096)
            dialect: Any = csv.Sniffer().sniff(sample, delimiters=",;\t") if sample else csv.excel
        except csv.Error:
            dialect = csv.excel
        text.seek(0)
        reader = csv.DictReader(text, dialect=dialect)
        try:
            for row in reader:
                yield {key: value for key, value in row.items() if key is not None and value is not None}
        except csv.Error as why:
            raise MessageError(f"{path}, line {reader.line_num}: {why}", SetAsideReason.BAD_LINE) from why


def _line_rows(path: Path) -> Iterator[dict[str, Any] | bytes]:
    with opened_recording(path) as file:
        for line in iter(lambda: file.readline(LINE_LIMIT_BYTES), b""):
            try:
                yield msgspec.json.decode(line, type=dict[str, Any])
            except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
                yield line.rstrip(b"\r\n")  # the dialect says what is wrong with it


def _parquet_rows(path: Path) -> Iterator[dict[str, Any] | bytes]:
    need_parquet(str(path))
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            for batch in file.iter_batches(batch_size=4096):
                yield from (_plain(row) for row in batch.to_pylist())
    except (OSError, pa.ArrowException) as why:
        raise MessageError(f"{path}: {why}. Is it Parquet?", SetAsideReason.BAD_LINE) from why


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """Moments as ISO 8601 and NaN as nothing, so that the row is JSON."""
    return {
        key: value.isoformat() if hasattr(value, "isoformat") else value
        for key, value in row.items()
        if value is not None and value == value
    }
