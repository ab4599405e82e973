"""Wake records → one row a node and UTC day. Any order of arrival, doubles included, gives the same rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from fleet.daily.by_cause import cause_columns, wake_columns
from fleet.daily.counters import missing_in_runs, runs
from fleet.daily.groups import BoolArray, FloatArray, Groups, IntArray, groups_of, value_changes
from fleet.daily.readings import battery_columns, clock_columns, radio_columns, reading_columns
from fleet.errors import EstimateError
from fleet.frames import DAY, RECORD
from fleet.units import S_PER_D
from fleet.words import Cause

Columns = dict[str, NDArray[np.generic]]
BLOCK_ROWS = 32_768
DATED_BEFORE_S = 1e11  # far beyond any clock; keeps days below DAYS_MOST
DAYS_MOST = 1 << 22
NEEDED = ("node_id", "t", "boot", "seq", "cause")
_SAME_IF = ("cause", "clock_t", "up_s", "batt_mv", "awake_ms", "reading", "life_wakes", "runs")


def roll_up(records: Mapping[str, np.ndarray], settings: Mapping[str, np.ndarray] | None = None) -> Columns:
    """Day rows of all records: columns of the RECORD frame in, columns of the DAY frame out, by node and day.

    Parameters
    ----------
    records
        RECORD columns; those that are not there count as not known, but `node_id t boot seq cause` are needed.
    settings
        SETTING columns, for the band's edges (`edge_near`); without them that column is NaN.

    Returns
    -------
    DAY columns in order of node and day.

    Raises
    ------
    EstimateError
        If a needed column is missing or has another length.

    Notes
    -----
    `awake_ms`, `radio_ms` and `tries` tell of the wake before. They are given to that wake's cause if its record is of
    the same day and boot, else to "unknown"; they count in the day of the record that carries them.

    Examples
    --------
    Counters 10, 11 and 13 of one boot: wake 12 has no record, and two rows of counter 11 are one record.

    >>> days = roll_up({"node_id": [1, 1, 1, 1], "t": [60.0, 120.0, 120.0, 240.0], "boot": [2, 2, 2, 2],
    ...                 "seq": [10, 11, 11, 13], "cause": [0, 0, 0, 1]})
    >>> days["seen"], days["missing"], days["n_timer"]
    (array([3.]), array([1.]), array([2.]))
    """
    blocks = list(roll_up_blocks(records, settings))
    if not blocks:
        return {name: np.empty(0, dtype=dtype) for name, dtype in DAY.items()}
    return {name: np.concatenate([block[name] for block in blocks]) for name in DAY}


def roll_up_blocks(
    records: Mapping[str, np.ndarray], settings: Mapping[str, np.ndarray] | None = None, *, block_rows: int = BLOCK_ROWS
) -> Iterator[Columns]:
    """The same, a block of about `block_rows` records at a time, cut where a node-day ends; little memory is needed."""
    columns = _typed(records)
    day = np.floor(columns["t"] / S_PER_D).astype(np.int64)
    if not len(day):
        return
    node_day = columns["node_id"].astype(np.int64) * DAYS_MOST + day
    if np.any(node_day[1:] < node_day[:-1]):
        order = np.argsort(node_day, kind="stable")
        columns, node_day = {name: values[order] for name, values in columns.items()}, node_day[order]
    starts = np.flatnonzero(value_changes(node_day))
    cuts = starts[np.unique(np.searchsorted(starts, np.arange(0, len(day), block_rows), side="right") - 1)]
    for begin, end in zip(cuts, np.append(cuts[1:], len(day)), strict=True):
        yield _day_rows({name: values[begin:end] for name, values in columns.items()}, node_day[begin:end], settings)


def _typed(records: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """All columns of RECORD in their types; rows without a believable time are left out."""
    for name in NEEDED:
        if name not in records:
            raise EstimateError(f"records: column {name!r} is missing; needed are {', '.join(NEEDED)}. Read it too.")
    n_rows = len(records["node_id"])
    columns: dict[str, np.ndarray] = {}
    for name, dtype in RECORD.items():
        kind = np.dtype(dtype)
        if name in records:
            columns[name] = np.asarray(records[name]).astype(kind, copy=False)
        else:
            columns[name] = np.full(n_rows, np.nan if kind.kind == "f" else -1 if name == "set_id" else 0, dtype=kind)
        if len(columns[name]) != n_rows:
            raise EstimateError(
                f"records: column {name!r} has {len(columns[name])} rows; expected {n_rows}. Read again."
            )
    cause = columns["cause"]
    if np.any((cause < 0) | (cause >= len(Cause))):
        columns["cause"] = np.where((cause < 0) | (cause >= len(Cause)), np.int8(Cause.OTHER), cause)
    datable = (columns["t"] >= 0) & (columns["t"] < DATED_BEFORE_S)  # False for NaN too
    return columns if datable.all() else {name: values[datable] for name, values in columns.items()}


def _in_order(columns: dict[str, np.ndarray], node_day: IntArray) -> dict[str, np.ndarray]:
    """Rows by node-day, boot, time and counter, boots as they began; ties are settled by content."""
    keys = (node_day, columns["boot"], columns["t"], columns["seq"])
    if not _strictly_rising(keys):
        ties = [columns[name] for name in (*_SAME_IF, "batt_tx_mv", "radio_ms", "arrived")]
        columns = _taken(columns, np.lexsort((*reversed(ties), *reversed(keys))))
    groups = groups_of(value_changes(node_day, columns["boot"]))
    began = columns["t"][groups.starts]
    segment_day = node_day[groups.starts]
    if np.any((began[1:] < began[:-1]) & (segment_day[1:] == segment_day[:-1])):
        columns = _taken(columns, np.lexsort((np.arange(len(node_day)), began[groups.of_row], node_day)))
    return columns


def _strictly_rising(keys: tuple[np.ndarray, ...]) -> bool:
    rising = np.zeros(len(keys[0]) - 1, dtype=bool)
    undecided = ~rising
    for values in keys:
        rising |= undecided & (values[1:] > values[:-1])
        undecided &= values[1:] == values[:-1]
    return bool(rising.all())


def _taken(columns: Mapping[str, np.ndarray], rows: np.ndarray) -> dict[str, np.ndarray]:
    return {name: values[rows] for name, values in columns.items()}


def _doubles(columns: Mapping[str, np.ndarray], node_day: IntArray) -> BoolArray:
    """Rows that repeat an earlier one: same node, day, boot and counter, and nothing that tells them apart."""
    keys = (node_day, columns["boot"], columns["seq"])
    double = np.zeros(len(node_day), dtype=bool)
    if len(node_day) < 2 or np.all((keys[2][1:] > keys[2][:-1]) | value_changes(*keys[:2])[1:]):
        return double
    # Among the same name, rows of like content are put side by side; the sort keeps the earliest first.
    content = [columns[name].astype(float) for name in _SAME_IF]
    order = np.lexsort((np.arange(len(node_day)), *content, *reversed(keys)))
    same = ~value_changes(*(key[order] for key in keys))[1:]
    for values in content:
        ordered = values[order]
        same &= (ordered[1:] == ordered[:-1]) | np.isnan(ordered[1:]) & np.isnan(ordered[:-1])
    double[order[1:][same]] = True
    return double


def _day_rows(columns: dict[str, np.ndarray], node_day: IntArray, settings: Mapping[str, np.ndarray] | None) -> Columns:
    """Day rows of one block whose node-days lie together."""
    columns = _in_order(columns, node_day)
    double = _doubles(columns, node_day)
    if double.any():
        columns, node_day = _taken(columns, ~double), node_day[~double]
    day_begins = value_changes(node_day)
    same_boot = ~(day_begins | value_changes(columns["boot"]))
    begins, unwrapped = runs(columns, same_boot)
    groups = groups_of(day_begins)
    follows = ~begins & (np.diff(unwrapped, prepend=unwrapped[:1]) == 1)
    made: Columns = {
        "node_id": columns["node_id"][groups.starts],
        "day": np.floor(columns["t"][groups.starts] / S_PER_D),
        "seen": groups.sizes(),
        **_spans(columns, unwrapped, begins, groups),
        **cause_columns(columns, groups),
        **wake_columns(columns, groups, follows),
        **radio_columns(columns, groups),
        **battery_columns(columns, groups),
        **reading_columns(columns, groups, settings),
        **clock_columns(columns, groups),
    }
    return {name: made[name].astype(dtype, copy=False) for name, dtype in DAY.items()}


def _spans(columns: Mapping[str, np.ndarray], unwrapped: IntArray, begins: BoolArray, groups: Groups) -> Columns:
    """First and last records, runs of counters, and what is missing between them."""
    t, boot, seq = columns["t"], columns["boot"], columns["seq"]
    run_starts = np.flatnonzero(begins)
    first_run = value_changes(groups.of_row[run_starts])
    missing = missing_in_runs(unwrapped, t, run_starts, first_run)
    run_groups = groups_of(first_run)
    last_start = run_starts[np.append(run_groups.starts[1:], len(run_starts)) - 1]
    # Within the last run the highest counter, within the first the lowest: late records do not move them.
    in_last = np.arange(len(t)) >= last_start[groups.of_row]
    first_end = np.append(run_starts, len(t))[run_groups.starts + 1]
    in_first = np.arange(len(t)) < first_end[groups.of_row]
    last_row = _row_of_extreme(np.where(in_last, unwrapped, -1), groups, greatest=True)
    first_row = _row_of_extreme(np.where(in_first, unwrapped, np.iinfo(np.int64).max), groups, greatest=False)
    life = columns["life_wakes"]
    life_row, has_life = groups.last(life, np.isfinite(life))
    return {
        "missing": np.add.reduceat(missing, run_groups.starts),
        "boots": np.add.reduceat(np.ones(len(run_starts)), run_groups.starts),
        "first_t": groups.min(t),
        "last_t": groups.max(t),
        "first_boot": boot[first_row],
        "first_seq": seq[first_row],
        "last_boot": boot[last_row],
        "last_seq": seq[last_row],
        "last_life_wakes": np.where(has_life, life[life_row], np.nan),
        "gap_max_s": _gap_max_s(t, groups),
    }


def _row_of_extreme(values: IntArray, groups: Groups, *, greatest: bool) -> IntArray:
    reduce = np.maximum if greatest else np.minimum
    extreme = reduce.reduceat(values, groups.starts)
    rows, _ = groups.first(values, values == extreme[groups.of_row])
    return rows


def _gap_max_s(t: FloatArray, groups: Groups) -> FloatArray:
    """Longest time between two records of a day; NaN where a day has one record."""
    backwards = np.any(np.diff(t)[np.diff(groups.of_row) == 0] < 0)
    order = np.lexsort((t, groups.of_row)) if backwards else slice(None)
    ordered = t[order]
    gap = np.empty_like(ordered)
    np.subtract(ordered[1:], ordered[:-1], out=gap[1:])
    gap[groups.starts] = np.nan
    return groups.max(gap)
