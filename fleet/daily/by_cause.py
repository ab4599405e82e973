"""Wakes by cause, and the time awake that a record tells of the wake before it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fleet.daily.groups import BoolArray, FloatArray, Groups
from fleet.frames import CAUSE_GROUPS
from fleet.words import Cause

_UNKNOWN = list(CAUSE_GROUPS).index("unknown")
_GROUP_OF_CAUSE = np.full(len(Cause), _UNKNOWN)
for _number, _causes in enumerate(CAUSE_GROUPS.values()):
    for _cause in _causes:
        _GROUP_OF_CAUSE[_cause] = _number


def cause_columns(columns: Mapping[str, np.ndarray], groups: Groups) -> dict[str, np.ndarray]:
    """Records of each cause a day."""
    cause = columns["cause"].astype(np.int64)
    counts = np.bincount(groups.of_row * len(Cause) + cause, minlength=groups.count * len(Cause))
    table = counts.reshape(groups.count, len(Cause)).astype(float)
    return {f"n_{kind.word}": table[:, kind] for kind in Cause}


def wake_columns(columns: Mapping[str, np.ndarray], groups: Groups, follows: BoolArray) -> dict[str, np.ndarray]:
    """Length of wakes and radio time by cause group of the wake described.

    Parameters
    ----------
    follows
        Whether the row before is the record of the wake that this row's `awake_ms` tells of.
    """
    described = np.full(len(follows), _UNKNOWN)
    described[1:] = np.where(follows[1:], _GROUP_OF_CAUSE[columns["cause"][:-1].astype(np.int64)], _UNKNOWN)
    made: dict[str, np.ndarray] = {}
    # A wake of 0 ms is how some firmware says that it does not know.
    awake_ms, awake_known = columns["awake_ms"], columns["awake_ms"] > 0
    radio_ms, radio_known = columns["radio_ms"], np.isfinite(columns["radio_ms"]) & awake_known
    radio_known |= columns["radio_ms"] > 0
    keys = groups.of_row * len(CAUSE_GROUPS) + described
    shape = (groups.count, len(CAUSE_GROUPS))
    awake = _table(keys, awake_ms, awake_known, shape)
    radio = _table(keys, radio_ms, radio_known, shape)
    for number, group in enumerate(CAUSE_GROUPS):
        made[f"awake_count_{group}"] = awake[0][:, number]
        made[f"awake_ms_{group}"] = awake[1][:, number]
        made[f"awake_sq_ms2_{group}"] = awake[2][:, number]
        made[f"radio_count_{group}"] = radio[0][:, number]
        made[f"radio_ms_{group}"] = radio[1][:, number]
    return made


def _table(
    keys: np.ndarray, values: FloatArray, known: BoolArray, shape: tuple[int, int]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Count, sum and sum of squares a day and group; the sums are NaN where nothing is known."""
    size = shape[0] * shape[1]
    if not known.all():
        keys, values = keys[known], values[known]
    count = np.bincount(keys, minlength=size).astype(float)
    total = np.bincount(keys, weights=values, minlength=size).astype(float)
    squares = np.bincount(keys, weights=values * values, minlength=size).astype(float)
    none = count == 0
    total[none], squares[none] = np.nan, np.nan
    return count.reshape(shape), total.reshape(shape), squares.reshape(shape)
