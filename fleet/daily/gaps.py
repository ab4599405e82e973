"""What lies between two day rows of a node: wakes without a record, cold starts, silence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fleet.daily.counters import DISORDER_COUNT, WAKES_PER_S_MOST, WRAP_SLACK_COUNT, is_wrap, modulus_of
from fleet.daily.groups import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class DayGaps:
    """One value a day row, about the gap since the row before of the same node; the node's first row has none."""

    has_before: BoolArray
    missing: FloatArray  # wakes without a record in the gap that are known to have been; NaN in a node's first row
    silence_s: FloatArray  # from the last record before to the first of this day
    restarted: BoolArray  # a cold start, or a counter set back, lies between
    counted: BoolArray  # `missing` is the exact number; False: more may have been, before a cold start


def day_gaps(days: Mapping[str, np.ndarray]) -> DayGaps:
    """Gaps between the day rows of each node, rows in order of node and day.

    Parameters
    ----------
    days
        Columns of the DAY frame.

    Notes
    -----
    A lifetime count (`life.wakes`) settles every gap but that of a wiped flash. Without it, a gap inside one boot is
    exact by `seq`; across a cold start the wakes of the new boot up to its first record are known, and those of the
    old boot after its last record are not. A counter that could not have come so far in the time is not believed.

    Examples
    --------
    Boot 3 ends a day at wake 10 and goes on at 14: three wakes have no record.

    >>> columns = dict(node_id=[1, 1], day=[0, 1], first_t=[0.0, 86400.0], last_t=[86000.0, 99000.0], seen=[9.0, 5.0],
    ...     missing=[0.0, 0.0], first_boot=[3, 3], last_boot=[3, 3], first_seq=[2, 14], last_seq=[10, 18],
    ...     last_life_wakes=[np.nan, np.nan])
    >>> day_gaps({name: np.array(values) for name, values in columns.items()}).missing
    array([nan,  3.])
    """
    node = np.asarray(days["node_id"])
    has_before = np.zeros(len(node), dtype=bool)
    has_before[1:] = node[1:] == node[:-1]
    before = {name: _shifted(days[name]) for name in ("last_t", "last_boot", "last_seq", "last_life_wakes")}
    first_t, seq = _floats(days["first_t"]), np.asarray(days["first_seq"]).astype(np.int64)
    silence_s = np.where(has_before, np.maximum(first_t - _floats(before["last_t"]), 0.0), np.nan)
    last_seq = before["last_seq"].astype(np.int64)
    same_boot = has_before & (np.asarray(days["first_boot"]) == before["last_boot"])
    step = seq - last_seq
    known_up = np.full(len(node), np.nan)
    wrapped = same_boot & (step < 0) & is_wrap(last_seq, seq, np.nan_to_num(silence_s), known_up, known_up)
    onward = same_boot & (step >= -DISORDER_COUNT) & ~wrapped
    by_seq = np.where(wrapped, modulus_of(last_seq) + step - 1, np.maximum(step - 1, 0)).astype(float)
    believed = by_seq <= WRAP_SLACK_COUNT + WAKES_PER_S_MOST * np.nan_to_num(silence_s)
    in_one_boot = (wrapped | onward) & believed
    since_start = np.where(seq <= WRAP_SLACK_COUNT + WAKES_PER_S_MOST * np.nan_to_num(silence_s), seq, 0).astype(float)
    missing = np.where(in_one_boot, by_seq, since_start)
    by_life, life_known = _by_life(days, before["last_life_wakes"], has_before, silence_s)
    missing = np.where(life_known, by_life, missing)
    return DayGaps(
        has_before=has_before,
        missing=np.where(has_before, missing, np.nan),
        silence_s=silence_s,
        restarted=has_before & ~in_one_boot,
        counted=has_before & (in_one_boot | life_known),
    )


def _by_life(
    days: Mapping[str, np.ndarray], life_before: np.ndarray, has_before: BoolArray, silence_s: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Wakes missing in the gap by the node's lifetime count, and where that can be told."""
    seen, inside = _floats(days["seen"]), _floats(days["missing"])
    lived = _floats(days["last_life_wakes"]) - _floats(life_before)
    missing = lived - seen - inside
    # Wakes hidden by a cold start inside the day fall to this gap too; a little below 0 is disorder, not a wipe.
    possible = missing <= WRAP_SLACK_COUNT + WAKES_PER_S_MOST * np.nan_to_num(silence_s) + 86_400.0
    known = has_before & np.isfinite(lived) & (missing >= -DISORDER_COUNT) & possible
    return np.maximum(missing, 0.0), known


def _shifted(values: np.ndarray) -> np.ndarray:
    values = np.asarray(values)
    return np.concatenate([values[:1], values[:-1]])


def _floats(values: np.ndarray) -> FloatArray:
    return np.asarray(values, dtype=float)


def silences_s(gaps: DayGaps, days: Mapping[str, np.ndarray], *, at_least_s: float) -> tuple[IntArray, FloatArray]:
    """Rows that end a silence of at least so long, and how long it was: within the day or since the day before."""
    longest = np.fmax(gaps.silence_s, _floats(days["gap_max_s"]))
    rows = np.flatnonzero(longest >= at_least_s)
    return rows, longest[rows]
