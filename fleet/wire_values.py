"""Small questions about plain values that came off the wire."""

from __future__ import annotations

import math
from typing import Any


def whole(item: Any) -> Any:
    """12.0 is the integer 12 (JSON knows one kind of number)."""
    return int(item) if isinstance(item, float) and item.is_integer() else item


def no_deeper(value: Any, levels: int) -> bool:
    """True if no object or array stands deeper than so many levels."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return levels > 0 and all(no_deeper(item, levels - 1) for item in inner if isinstance(item, dict | list))


def all_finite(value: Any) -> bool:
    """True unless a float is NaN or infinite, which JSON can't say but CBOR and factors can."""
    if isinstance(value, float):
        return math.isfinite(value)
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return all(all_finite(item) for item in inner)
