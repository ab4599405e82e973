"""How a listing is shown: a table for eyes, tab-separated lines for a pipe, JSON or CSV for programs."""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\x00")
NOT_KNOWN = "–"


def show_table(columns: Sequence[str], rows: Sequence[Sequence[Any]], *, title: str = "") -> None:
    """Rows as a table on a terminal, as tab-separated lines elsewhere. Names are never read as markup."""
    cells = [[text_of(value) for value in row] for row in rows]
    if not sys.stdout.isatty():
        for line in [list(columns), *cells]:
            sys.stdout.write("\t".join(cell.replace("\t", " ").replace("\n", " ") for cell in line) + "\n")
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(title, style="bold") if title else None, title_justify="left", box=None, pad_edge=False)
    for index, name in enumerate(columns):
        numeric = any(isinstance(row[index], int | float) for row in rows)
        table.add_column(Text(name, style="dim"), justify="right" if numeric else "left", overflow="fold")
    for line in cells:
        table.add_row(*(Text(cell) for cell in line))
    Console().print(table)


def show_json(value: Any) -> None:
    """JSON on standard output; what is not a finite number is null."""
    sys.stdout.write(json.dumps(plain(value), ensure_ascii=False, indent=2, allow_nan=False) + "\n")


def show_csv(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """CSV by RFC 4180; a text that a spreadsheet would run as a formula is quoted with an apostrophe."""
    writer = csv.writer(sys.stdout, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_csv_cell(plain(value)) for value in row])


def _csv_cell(value: Any) -> Any:
    if isinstance(value, dict | list):
        value = json.dumps(value, ensure_ascii=False)
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return "'" + value
    return "" if value is None else value


def plain(value: Any) -> Any:
    """The value in JSON's own types: moments as ISO 8601 UTC, NaN as None."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return iso(value)
    if hasattr(value, "item") and not isinstance(value, str | bytes):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def iso(moment: datetime | float | None) -> str | None:
    """ISO 8601 in UTC, to the second; None where there is no moment.

    >>> iso(1764020001.25)
    '2025-11-24T21:33:21Z'
    """
    if moment is None or (isinstance(moment, float) and not math.isfinite(moment)):
        return None
    at = moment if isinstance(moment, datetime) else datetime.fromtimestamp(moment, UTC)
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def text_of(value: Any) -> str:
    """A cell's text: three significant digits, a dash for what is not known.

    >>> text_of(None), text_of(0.12345), text_of(1234.5), text_of("n001")
    ('–', '0.123', '1234', 'n001')
    """
    value = plain(value)
    if value is None or value == "":
        return NOT_KNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return str(value)
