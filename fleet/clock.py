"""The only reader of the wall clock. Edges and jobs call it; the middle is given the time as an argument."""

from __future__ import annotations

import time
from datetime import UTC, datetime


def now_utc() -> datetime:
    """Now, as an aware UTC moment."""
    return datetime.fromtimestamp(time.time(), UTC)


def now_s() -> float:
    """Now, in seconds since 1970-01-01T00:00:00Z."""
    return time.time()


def monotonic_s() -> float:
    """Seconds of a clock that never jumps; for deadlines."""
    return time.monotonic()
