"""Every table and key of a profile file, what it may hold, and whether it must be there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fleet.errors import SetupError
from fleet.profiles.profile import Figure
from fleet.words import Cause


@dataclass(frozen=True)
class Key:
    """What one key may hold; `kind` is figure, number, count, text, flag, word, pair or count_pair."""

    kind: str
    low: float = 0.0
    high: float = math.inf
    needed: bool = False
    open_low: bool = True  # the lowest value itself is refused
    words: tuple[str, ...] = ()


SOURCE = {"source": Key("text")}
CURRENT_MA = Key("figure", 0, 1e5, needed=True)
LENGTH_MS = Key("figure", 0, 8.64e7, needed=True)
ANYTHING = -math.inf

TABLES: dict[str, dict[str, Key]] = {
    "sleep": {"current_ua": Key("figure", 0, 1e6, needed=True), "q10": Key("figure", 0, 10), **SOURCE},
    "coprocessor": {
        "run_ma": Key("figure", 0, 1000, needed=True, open_low=False),
        "run_us": Key("figure", 0, 1e8, needed=True),
        "period_ms": Key("number", 0, 8.64e7),
        "rearm": Key("word", words=("edge", "level")),
        "holdoff_s": Key("number", 0, 8.64e6, open_low=False),
        **SOURCE,
    },
    "wake": {"current_ma": CURRENT_MA, "length_ms": LENGTH_MS, **SOURCE},
    "radio": {"current_ma": CURRENT_MA, "length_ms": LENGTH_MS, **SOURCE},
    "battery": {
        "chemistry": Key("text", needed=True),
        "capacity_mah": Key("figure", 0, 1e7, needed=True),
        "cutoff_mv": Key("number", 0, 100_000, needed=True),
        "series": Key("count", 1, 100, open_low=False),
        "parallel": Key("count", 1, 100, open_low=False),
        "resistance_mohm": Key("figure", 0, 1e7),
        **SOURCE,
    },
    "measure": {
        "gain_sd": Key("number", 0, 0.5, open_low=False),
        "step_mv": Key("number", 0, 1000, open_low=False),
        **SOURCE,
    },
    "banded": {
        "reading": Key("text", needed=True),
        "event_s": Key("number", 0, 3.2e7),
        "late_s": Key("number", 0, 3.2e7, open_low=False),
        **SOURCE,
    },
    "limits": {
        "lo": Key("pair", ANYTHING),
        "hi": Key("pair", ANYTHING),
        "gap_min": Key("number", 0, open_low=False),
        "hyst": Key("pair", 0, open_low=False),
        "sleep_s": Key("pair", 0, 3.2e7),
        "period_ms": Key("pair", 0, 8.64e7),
        "avg": Key("count_pair", 1, 1e6, open_low=False),
        "silence_s": Key("number", 0, 3.2e7),
        "alarm": Key("pair", ANYTHING),
        **SOURCE,
    },
    "orders": {"signed": Key("flag"), "trial": Key("flag"), **SOURCE},
}
NEEDED_TABLES = ("sleep", "wake", "battery")
CAUSE_KEYS: dict[str, Key] = {
    "current_ma": Key("figure", 0, 1e5),
    "length_ms": Key("figure", 0, 8.64e7),
    "radio": Key("flag"),
    **SOURCE,
}
CAUSE_WORDS = tuple(cause.word for cause in Cause)


def checked_value(where: str, key: Key, value: Any) -> Any:
    """The value in its own type.

    Raises
    ------
    SetupError
        If it is of another kind or out of range.
    """
    wanted = _wanted(key)
    if key.kind == "text":
        good = isinstance(value, str) and bool(value.strip())
    elif key.kind == "flag":
        good = isinstance(value, bool)
    elif key.kind == "word":
        good = value in key.words
    elif key.kind in ("pair", "count_pair"):
        return _pair(where, key, value)
    elif key.kind == "figure" and isinstance(value, dict):
        return _figure(where, key, value)
    else:
        good = _is_number(value, whole=key.kind == "count") and _in_range(key, value)
    if not good:
        raise SetupError(f"{where}: {value!r}; expected {wanted}. Correct the value.")
    return Figure(float(value)) if key.kind == "figure" else value


def _figure(where: str, key: Key, value: dict[str, Any]) -> Figure:
    for name in value:
        if name not in ("mean", "sd"):
            raise SetupError(f"{where}: unknown key {name!r} in {value!r}; expected mean and sd. Remove or rename it.")
    if "mean" not in value:
        raise SetupError(f"{where}: {value!r} has no mean; expected {_wanted(key)}. Add `mean = …`.")
    mean = checked_value(f"{where}.mean", Key("number", key.low, key.high, open_low=key.open_low), value["mean"])
    sd = checked_value(f"{where}.sd", Key("number", 0, key.high, open_low=False), value.get("sd", 0.0))
    return Figure(float(mean), float(sd))


def _pair(where: str, key: Key, value: Any) -> tuple[Any, Any]:
    whole = key.kind == "count_pair"
    numbers = isinstance(value, list) and len(value) == 2 and all(_is_number(one, whole=whole) for one in value)
    if not numbers or value[0] > value[1] or not all(_in_range(key, one) for one in value):
        raise SetupError(f"{where}: {value!r}; expected [lowest, highest], {_wanted(key)}. Correct the pair.")
    return value[0], value[1]


def _is_number(value: Any, *, whole: bool = False) -> bool:
    if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
        return False
    return math.isfinite(value)


def _in_range(key: Key, value: float) -> bool:
    return (value > key.low if key.open_low else value >= key.low) and value <= key.high


def _wanted(key: Key) -> str:
    if key.kind == "text":
        return "a text in quotes that is not empty"
    if key.kind == "flag":
        return "true or false"
    if key.kind == "word":
        return "one of " + ", ".join(f'"{word}"' for word in key.words)
    kind = "whole number" if key.kind.startswith("count") else "number"
    form = (
        f"a {kind} or {{mean = , sd = }}" if key.kind == "figure" else f"{kind}s" if "pair" in key.kind else f"a {kind}"
    )
    floor = "" if key.low == ANYTHING else f" above {key.low:g}" if key.open_low else f" of at least {key.low:g}"
    return form + floor + ("" if key.high == math.inf else f", at most {key.high:g}")
