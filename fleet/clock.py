"""The only reader of the wall clock. Edges and jobs call it; the middle is given the time as an argument.

A played deployment (the demo) has a present of its own: the arrival of its newest record. `play_at` sets it for this
process; what must not lie about real time (arrivals, sessions, deadlines) asks `now_s` and `monotonic_s`.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime

_played: list[float] = []


def play_at(at_s: float) -> None:
    """From now on the deployment's present is this moment. [s since 1970 UTC]"""
    _played[:] = [at_s]


def present_s() -> float:
    """The deployment's present: now, or the played moment. [s since 1970 UTC]"""
    return _played[0] if _played else time.time()


def now_utc() -> datetime:
    """The deployment's present, as an aware UTC moment."""
    return datetime.fromtimestamp(present_s(), UTC)


def now_s() -> float:
    """Real time, in seconds since 1970-01-01T00:00:00Z."""
    return time.time()


def monotonic_s() -> float:
    """Seconds of a clock that never jumps; for deadlines."""
    return time.monotonic()
