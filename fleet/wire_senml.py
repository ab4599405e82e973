"""SenML packs, JSON and CBOR, resolved (RFC 8428): base fields worked in, relative times made absolute."""

from __future__ import annotations

import math
import re
from typing import Any, NamedTuple

from fleet.errors import MessageError

VERSION = 10
RELATIVE_BELOW_S = 2.0**28
"""A time below this counts from now (RFC 8428, section 4.5.3)."""

CBOR_LABELS = {
    "-1": "bver", "-2": "bn", "-3": "bt", "-4": "bu", "-5": "bv", "-6": "bs",
    "0": "n", "1": "u", "2": "v", "3": "vs", "4": "vb", "5": "s", "6": "t", "7": "ut", "8": "vd",
}  # fmt: skip
"""RFC 8428, table 4."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_VALUES = ("v", "vs", "vb", "vd")
_NUMBERS = ("bver", "bt", "bv", "bs", "v", "s", "t", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs")
_KNOWN = frozenset((*_NUMBERS, *_TEXTS, "vb", "vd"))


class Measured(NamedTuple):
    """One resolved record; `base` is the base name that `name` begins with."""

    name: str
    base: str
    unit: str | None
    value: float | str | bool | bytes | None
    total: float | None
    t: float
    update_s: float | None


def resolve_senml(pack: Any, now_s: float) -> list[Measured]:
    """The records of a pack, each standing for itself.

    Raises
    ------
    MessageError
        If the pack breaks a rule of RFC 8428, or has a field ending in `_`, which must be understood and is not.

    Examples
    --------
    >>> resolve_senml([{"bn": "dev1:", "n": "temp", "u": "Cel", "v": 23.1}, {"n": "hum", "v": 40, "t": -60}], 2.0e9)[1]
    Measured(name='dev1:hum', base='dev1:', unit=None, value=40, total=None, t=1999999940.0, update_s=None)
    """
    if not isinstance(pack, list) or not pack:
        raise MessageError("SenML: expected an array of records")
    base: dict[str, Any] = {}
    found: list[Measured] = []
    for index, item in enumerate(pack):
        record = _checked(item, index)
        base |= {key: record[key] for key in ("bver", "bn", "bt", "bu", "bv", "bs") if key in record}
        if base.get("bver", VERSION) > VERSION:
            raise MessageError(f"SenML record {index}: version {base['bver']}; {VERSION} is the highest known")
        found.append(_resolved(record, base, index, now_s))
    return found


def _checked(item: Any, index: int) -> dict[str, Any]:
    """The record, its labels as in JSON, its types looked at."""
    if not isinstance(item, dict):
        raise MessageError(f"SenML record {index}: expected an object")
    record = {CBOR_LABELS.get(str(key), str(key)): value for key, value in item.items()}
    for key, value in record.items():
        if key not in _KNOWN and key.endswith("_"):
            raise MessageError(f"SenML record {index}: field {key!r} must be understood and is not")
        number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if (key in _NUMBERS and not number) or (key in _TEXTS and not isinstance(value, str)):
            raise MessageError(f"SenML record {index}: {key} is {value!r:.40}")
        if key == "vb" and not isinstance(value, bool):
            raise MessageError(f"SenML record {index}: vb is {value!r:.40}; expected true or false")
    return record


def _resolved(record: dict[str, Any], base: dict[str, Any], index: int, now_s: float) -> Measured:
    name = base.get("bn", "") + record.get("n", "")
    if not _NAME.fullmatch(name):
        raise MessageError(f"SenML record {index}: name {name[:60]!r}: expected letters, digits, - : . / _")
    given = [key for key in _VALUES if key in record]
    if len(given) > 1:
        raise MessageError(f"SenML record {index}: {given[0]} and {given[1]}; one value a record")
    total = record.get("s", 0) + base.get("bs", 0) if "s" in record or "bs" in base else None
    value = record[given[0]] if given else None
    if "bv" in base and (not given or given == ["v"]):
        value = base["bv"] + (value or 0)
    if value is None and total is None:
        raise MessageError(f"SenML record {index}: {name}: neither a value nor a sum")
    t = float(base.get("bt", 0) + record.get("t", 0))
    t = now_s + t if t < RELATIVE_BELOW_S else t
    update_s = float(record["ut"]) if "ut" in record else None
    return Measured(name, base.get("bn", ""), record.get("u", base.get("bu")), value, total, t, update_s)


def by_moment(records: list[Measured]) -> list[dict[str, Any]]:
    """Measurements of one base name and time as one object: `bn`, `t`, and the values by the rest of their names.

    >>> by_moment([Measured("d:a", "d:", None, 1, None, 5.0, None), Measured("d:b", "d:", None, 2, None, 5.0, None)])
    [{'bn': 'd:', 't': 5.0, 'a': 1, 'b': 2}]
    """
    groups: dict[tuple[str, float], dict[str, Any]] = {}
    for one in records:
        group = groups.setdefault((one.base, one.t), {"bn": one.base, "t": one.t})
        group[one.name[len(one.base) :] or one.name] = one.value if one.value is not None else one.total
    return list(groups.values())
