"""One flat ESTIMATE row, flags, advice and order of a node, folded into the results contract's object."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import pandas as pd

from fleet.frames import ADVICE, DEAD_BY_D
from fleet.words import Cause

Result = dict[str, Any]

WHO = ("site", "profile", "chemistry")
MOMENTS = ("as_of", "since", "last_heard")
SETTINGS = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
RANGED = (
    "duty_main", "duty_coprocessor", "drain_ma", "drain_mah_per_day", "drain_parts", "drain_ratio", "floor_ua",
    "wake_cost_mc",
)  # fmt: skip
NO_RANGE = ("duty_coprocessor", "drain_parts")
ENDS = ("", "_lo", "_hi")
PARTS = ("sleep", "coprocessor", *(f"wake_{cause.word}" for cause in Cause), "radio", "self_discharge")
PROPOSED = (
    *(f"{what}{end}" for what in ("wakes_per_day", "drain_mah_per_day") for end in ENDS),
    "days_left_p10", "days_left_p50", "days_left_p90",
    *(f"events_seen{end}" for end in ENDS),
)  # fmt: skip
NOT_SAID = "not known from what has been stored"


def plain(value: Any) -> Any:
    """JSON's own value: None for what is not known, whole numbers and floats of Python, moments untouched.

    >>> plain(float("nan")), plain(pd.NA), plain("x")
    (None, None, 'x')
    """
    if hasattr(value, "item") and not isinstance(value, str | bytes):
        value = value.item()
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value


def moment(value: Any) -> str | None:
    """ISO 8601 UTC of seconds since 1970; None where there is none.

    >>> moment(1764020001.25)
    '2025-11-24T21:33:21Z'
    """
    seconds = plain(value)
    return None if seconds is None else datetime.fromtimestamp(float(seconds), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def as_result(
    row: Mapping[str, Any],
    node: Mapping[str, Any],
    flags: Iterable[Mapping[str, Any]] = (),
    order: Mapping[str, Any] | None = None,
) -> Result:
    """The contract's object of one node: `row` is its ESTIMATE row, `node` its NODE row, `flags` its FLAG rows."""
    result: Result = {"node": node["node"]}
    result |= {name: plain(node[name]) or None for name in WHO}
    result |= {name: moment(row.get(name)) for name in MOMENTS}
    result |= {name: plain(row.get(name)) for name in ("wakes", "wakes_seen", "wakes_per_day")}
    result["wakes_by_cause"] = _object(row, "wakes_", [cause.word for cause in Cause])
    for name in RANGED:
        if name == "drain_parts":
            result[name] = _object(row, "part_", PARTS)
        else:
            result |= {
                f"{name}{end}": plain(row.get(f"{name}{end}")) for end in ENDS if not end or name not in NO_RANGE
            }
    result["battery_from"] = moment(row.get("battery_from"))
    result |= {f"charge_left{end}": plain(row.get(f"charge_left{end}")) for end in ENDS}
    result |= {f"days_left_p{part}": plain(row.get(f"days_left_p{part}")) for part in (10, 50, 90)}
    result["dead_by"] = _object(row, "dead_by_", [str(horizon) for horizon in DEAD_BY_D])
    result["flags"] = [_flag(flag) for flag in sorted(flags, key=_weaker_last)]
    result["order"] = None if order is None else _order(order)
    result["why_null"] = _why_null(result, row.get("why_null") or {})
    return result


def _object(row: Mapping[str, Any], prefix: str, names: Iterable[str]) -> dict[str, Any] | None:
    """The figures under one prefix as an object; None where none of them is known."""
    found = {name: plain(row.get(prefix + name)) for name in names}
    return None if all(value is None for value in found.values()) else found


def _flag(flag: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "flag": str(flag["flag"]),
        "since": moment(flag["since"]),
        "strength": plain(flag["strength"]),
        "evidence": flag["evidence"],
        "part": flag["part"],
    }


def _weaker_last(flag: Mapping[str, Any]) -> tuple[bool, float, str]:
    return bool(plain(flag.get("under"))), -float(plain(flag["strength"]) or 0.0), str(flag["flag"])


def _order(order: Mapping[str, Any]) -> dict[str, Any]:
    rev = plain(order["rev"])
    return {
        "rev": None if rev is None else int(rev),
        "state": str(order["state"]),
        "since": moment(order["state_at"]),
    }


def _why_null(result: Result, said: Mapping[str, str]) -> dict[str, str]:
    """A sentence for every figure that is null; one said of `charge_left` holds for its ends too."""
    nulls = [name for name, value in result.items() if value is None and name not in ("order", *WHO)]
    return {name: str(said.get(name) or said.get(_stem(name)) or NOT_SAID) for name in nulls}


def _stem(name: str) -> str:
    for end in ("_lo", "_hi", "_p10", "_p50", "_p90"):
        name = name.removesuffix(end)
    return name


def as_proposal(advice: Mapping[str, Any]) -> dict[str, Any]:
    """One ADVICE row in the contract's `whatif` form, with the sentence and the remedy beside it."""
    proposal: dict[str, Any] = {"set": {name: plain(advice[name]) for name in SETTINGS}}
    proposal |= {name: plain(advice[name]) for name in PROPOSED}
    proposal |= {name: plain(advice.get(name)) for name in ("method", "sentence", "remedy")}
    return proposal


def as_results(
    estimates: pd.DataFrame,
    nodes: pd.DataFrame,
    flags: pd.DataFrame,
    advice: pd.DataFrame,
    orders: pd.DataFrame,
    *,
    what_if: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> list[Result]:
    """The contract's objects of a fleet, `advice` on each; `what_if` answers by node's name become its `whatif`."""
    named = {int(row["node_id"]): row for row in rows_of(nodes)}
    flagged = _by_node(flags)
    ordered = {int(row["node_id"]): row for row in rows_of(orders)}
    advised = {int(row["node_id"]): as_proposal(row) for row in rows_of(advice[[c for c in ADVICE if c in advice]])}
    results = []
    for row in rows_of(estimates):
        node_id = int(row["node_id"])
        if node_id not in named:
            continue
        result = as_result(row, named[node_id], flagged.get(node_id, ()), ordered.get(node_id))
        proposal = advised.get(node_id)
        result["advice"] = proposal if proposal and proposal["remedy"] == "settings" else None
        if proposal and result["advice"] is None:
            result["why_null"]["advice"] = proposal["sentence"]
        if what_if is not None:
            result["whatif"] = [dict(answer) for answer in what_if.get(result["node"], ())]
        results.append(result)
    return results


def advice_objects(advice: pd.DataFrame, nodes: pd.DataFrame) -> list[dict[str, Any]]:
    """One object a node that has advice: node, site, and its proposal."""
    named = {int(row["node_id"]): row for row in rows_of(nodes)}
    found = ((named[int(row["node_id"])], row) for row in rows_of(advice) if int(row["node_id"]) in named)
    return [{"node": node["node"], "site": plain(node["site"]) or None} | as_proposal(row) for node, row in found]


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A frame's rows as plain mappings."""
    names = list(frame.columns)
    return [dict(zip(names, values, strict=True)) for values in zip(*(frame[n].tolist() for n in names), strict=True)]


def _by_node(frame: pd.DataFrame) -> dict[int, list[dict[str, Any]]]:
    found: dict[int, list[dict[str, Any]]] = {}
    for row in rows_of(frame):
        found.setdefault(int(row["node_id"]), []).append(row)
    return found
