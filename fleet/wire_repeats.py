"""Which records are the same again: (node, boot, seq) names a record until a counter wraps or flash is wiped."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fleet.wire_time import CLOCK_SET_SINCE_S

CLOCK_SLACK_S = 60.0
"""Two set clocks further apart than this tell two wakes of the same name apart."""

WRAP_S = 86_400.0
"""Without a clock, two wakes of one name with other contents and believed times this far apart are two wakes."""

EMPTY_WRAP_S = 180 * 86_400.0
"""As WRAP_S for records that hold nothing to compare; 16 bits wrap after 455 days at 10 min."""

_CONTENTS = ("up_s", "reading", "batt_mv", "batt_tx_mv", "temp_c", "awake_ms")


class Named(NamedTuple):
    """What of a record tells it from another of the same name. NaN or None: not known."""

    t: float
    clock_t: float
    word: str | None
    contents: tuple[float, ...]


def is_repeat(first: Named, again: Named) -> bool:
    """True if a record of the same (node, boot, seq) is the same record again; the first one stored stays.

    Notes
    -----
    A record that waited or was sent twice comes back byte by byte, whatever its arrival. Another flash word, another
    set clock, or (without a clock) other contents a day or more apart mean a wiped flash or a wrapped counter.

    Examples
    --------
    A month later with the same contents, and with a clock 455 days on:

    >>> first = Named(1.0e9, np.nan, None, (5.0, 2950.0))
    >>> is_repeat(first, first._replace(t=1.0e9 + 30 * 86_400))
    True
    >>> clock = Named(1.0e9, 1.0e9, None, ())
    >>> is_repeat(clock, clock._replace(t=1.0e9 + 455 * 86_400, clock_t=1.0e9 + 455 * 86_400))
    False
    """
    if first.word is not None and again.word is not None and first.word != again.word:
        return False
    if first.clock_t >= CLOCK_SET_SINCE_S and again.clock_t >= CLOCK_SET_SINCE_S:
        return abs(first.clock_t - again.clock_t) <= CLOCK_SLACK_S
    apart_s = abs(again.t - first.t)
    pairs = [(a, b) for a, b in zip(first.contents, again.contents, strict=True) if a == a and b == b]
    if any(a != b for a, b in pairs):
        return apart_s <= WRAP_S
    return bool(pairs) or apart_s <= EMPTY_WRAP_S


def first_of_each(records: pd.DataFrame, words: Sequence[str | None]) -> np.ndarray[Any, np.dtype[np.intp]]:
    """Rows of a RECORD frame, in its order, that are no repeat of a row before."""
    repeated = records.duplicated(["node_id", "boot", "seq"], keep=False).to_numpy()
    drop = np.zeros(len(records), dtype=bool)
    rows = np.flatnonzero(repeated)
    columns = [records[name].to_numpy()[rows].tolist() for name in ("node_id", "boot", "seq", "t", "clock_t")]
    contents = zip(*(records[name].to_numpy()[rows].astype(float).tolist() for name in _CONTENTS), strict=True)
    seen: dict[tuple[int, int, int], list[Named]] = {}
    for row, (node_id, boot, seq, t, clock_t), held in zip(
        rows.tolist(), zip(*columns, strict=True), contents, strict=True
    ):
        one = Named(t, clock_t, words[row], held)
        before = seen.setdefault((node_id, boot, seq), [])
        if any(is_repeat(other, one) for other in before):
            drop[row] = True
        else:
            before.append(one)
    return np.flatnonzero(~drop)
