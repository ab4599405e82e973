"""The node list and the list of visits: CSV → frames; a row in error is refused with its line number."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd

from fleet.errors import SetupError
from fleet.frames import EVENT, NODE, empty_frame
from fleet.profiles.chemistry import chemistry_names, load_chemistry
from fleet.profiles.profile import Profile
from fleet.words import EventKind

NODE_NAME = re.compile(r"[A-Za-z0-9_.\-]{1,64}")
NEEDED = ("node", "site", "profile")
OPTIONAL = (
    "latitude", "longitude", "timezone", "fitted", "cells", "key_file", "banded_reading",
    "lo", "hi", "hyst", "sleep_s", "period_ms", "avg", "note",
)  # fmt: skip
VISIT_NEEDED = ("node", "at", "what")
TEXT_KEPT = ("key_file", "note", "cells")
"""Columns kept beside those of NODE; empty text where the row has none."""
RANGES: dict[str, tuple[float, float]] = {
    "latitude": (-90, 90),
    "longitude": (-180, 180),
    "lo": (-math.inf, math.inf),
    "hi": (-math.inf, math.inf),
    "hyst": (0, math.inf),
    "sleep_s": (1e-3, 3.2e7),
    "period_ms": (1e-3, 8.64e7),
    "avg": (1, 1e6),
}
Row = dict[str, Any]


def moment_s(where: str, text: str) -> float:
    """Seconds since 1970 UTC of an ISO 8601 moment; without a zone it is taken as UTC.

    >>> moment_s("here", "1970-01-02T01:00:00+01:00")
    86400.0

    Raises
    ------
    SetupError
        If the text is no such moment.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as why:
        raise SetupError(
            f"{where}: {text!r}; expected ISO 8601 such as 2026-03-01T09:00Z. Correct the moment."
        ) from why
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def read_nodes(path: Path | str, profiles: Mapping[str, Profile]) -> tuple[pd.DataFrame, list[SetupError]]:
    """The node list as a NODE frame with `cells`, `key_file` and `note`, and an error for each row refused.

    `node_id` runs from 0 in file order; a store gives its own. `chemistry` is the row's `cells`, else the profile's.
    """
    path = Path(path)
    seen: set[str] = set()

    def node_row(where: str, row: dict[str, str]) -> Row:
        made = _node_row(where, row, path.parent, profiles)
        if made["node"] in seen:
            raise SetupError(f"{where} node: {made['node']!r} stands in the list twice. Remove one of the rows.")
        seen.add(made["node"])
        return made

    rows, errors = _read_rows(path, NEEDED, OPTIONAL, node_row)
    columns = {**NODE, **dict.fromkeys(TEXT_KEPT, "str")}
    for number, row in enumerate(rows):
        row["node_id"] = number
    if not rows:
        return empty_frame(columns), errors
    frame = pd.DataFrame(rows)
    return frame.reindex(columns=list(columns)).astype(columns), errors


def read_visits(path: Path | str, nodes: pd.DataFrame) -> tuple[pd.DataFrame, list[SetupError]]:
    """Visits, swaps, moves and retirements as an EVENT frame, and an error for each row refused."""
    ids = dict(zip(nodes["node"], nodes["node_id"], strict=True))
    kinds = [kind.value for kind in EventKind]

    def event_row(where: str, row: dict[str, str]) -> Row:
        if row["node"] not in ids:
            raise SetupError(
                f"{where} node: {row['node']!r} is not in the node list. Add the node or correct the name."
            )
        if row["what"] not in kinds:
            raise SetupError(f"{where} what: {row['what']!r}; expected one of {', '.join(kinds)}. Correct the word.")
        at_s = moment_s(f"{where} at", row["at"])
        return {"node_id": ids[row["node"]], "at": at_s, "what": row["what"], "note": row.get("note", "")}

    rows, errors = _read_rows(Path(path), VISIT_NEEDED, ("note",), event_row)
    frame = pd.DataFrame(rows, columns=list(EVENT)) if rows else empty_frame(EVENT)
    return frame.astype(EVENT).sort_values("at", kind="stable", ignore_index=True), errors


def _read_rows(
    path: Path, needed: tuple[str, ...], optional: tuple[str, ...], make: Callable[[str, dict[str, str]], Row]
) -> tuple[list[Row], list[SetupError]]:
    """Rows made from a CSV file with a header, and an error for each row (or for the file) that can't be used."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as why:
        return [], [SetupError(f"{path}: can't be read: {why}. Check the path, its permissions and that it is UTF-8.")]
    reader = csv.reader(text.splitlines())
    header = [name.strip() for name in next(reader, [])]
    wrong = _header_error(path, header, needed, optional)
    if wrong:
        return [], [wrong]
    rows: list[Row] = []
    errors: list[SetupError] = []
    for values in reader:
        where = f"{path}: line {reader.line_num}"
        if not any(value.strip() for value in values):
            continue
        try:
            if len(values) != len(header):
                raise SetupError(
                    f"{where}: {len(values)} values; expected {len(header)} as in the header. Mend the commas."
                )
            row = {name: value.strip() for name, value in zip(header, values, strict=True)}
            for name in needed:
                if not row[name]:
                    raise SetupError(f"{where} {name}: empty; expected a value. Fill it in.")
            rows.append(make(where, row))
        except SetupError as why:
            errors.append(why)
    return rows, errors


def _header_error(
    path: Path, header: list[str], needed: tuple[str, ...], optional: tuple[str, ...]
) -> SetupError | None:
    for name in needed:
        if name not in header:
            return SetupError(f"{path}: line 1: column {name!r} is missing; needed are {', '.join(needed)}. Add it.")
    for name in header:
        if name not in (*needed, *optional) or header.count(name) > 1:
            known = ", ".join((*needed, *optional))
            return SetupError(f"{path}: line 1: column {name!r} is not known or stands twice; known are {known}.")
    return None


def _node_row(where: str, row: dict[str, str], folder: Path, profiles: Mapping[str, Profile]) -> Row:
    if not NODE_NAME.fullmatch(row["node"]):
        raise SetupError(f"{where} node: {row['node']!r}; expected 1 to 64 of A-Z a-z 0-9 _ . - . Rename the node.")
    profile = profiles.get(row["profile"])
    if profile is None:
        known = ", ".join(sorted(profiles)) or "none"
        raise SetupError(f"{where} profile: {row['profile']!r} is no usable profile; there are: {known}. Correct it.")
    figures = {name: _number(f"{where} {name}", row.get(name, ""), *limits) for name, limits in RANGES.items()}
    if figures["lo"] >= figures["hi"]:
        raise SetupError(f"{where} lo: {figures['lo']:g} is not below hi {figures['hi']:g}. Correct one of them.")
    zone = row.get("timezone", "")
    if zone:
        _check_zone(f"{where} timezone", zone)
    fitted = row.get("fitted", "")
    cells = row.get("cells", "")
    chemistry = _cells(f"{where} cells", cells, folder) if cells else profile.battery.chemistry
    banded = row.get("banded_reading", "") or (profile.banded.reading if profile.banded else "")
    return {
        **{name: row[name] for name in NEEDED},
        **figures,
        "timezone": zone,
        "fitted": moment_s(f"{where} fitted", fitted) if fitted else math.nan,
        "chemistry": chemistry,
        "banded_reading": banded,
        "retired": False,
        "known": True,
        **{name: row.get(name, "") for name in TEXT_KEPT},
    }


def _number(where: str, text: str, low: float, high: float) -> float:
    if not text:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or not low <= value <= high:
        bounds = "" if low == -math.inf else f" from {low:g}" + ("" if high == math.inf else f" to {high:g}")
        raise SetupError(f"{where}: {text!r}; expected a number{bounds}. Correct it or leave it empty.")
    return value


def _check_zone(where: str, zone: str) -> None:
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError) as why:
        raise SetupError(f"{where}: {zone!r}; expected a zone name such as Europe/Lisbon. Correct the name.") from why


def _cells(where: str, cells: str, folder: Path) -> str:
    """The name of a built-in chemistry, or the absolute path of one's own table."""
    if cells in chemistry_names():
        return cells
    own = folder / cells
    if not own.is_file():
        raise SetupError(f"{where}: {cells!r}; expected one of {', '.join(chemistry_names())}, or the path of a table.")
    load_chemistry(own)
    return str(own.resolve())
