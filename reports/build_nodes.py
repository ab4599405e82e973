"""Node lines of the report: estimates, odds to reach the visits, flags, advice; who needs a person comes first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from fleet.frames import CAUSE_GROUPS
from fleet.words import BAND_CAUSES, Cause, Flag
from reports.build_visits import day_ahead
from reports.by_node import parts_by_node, rows_of
from reports.dates import local_day, zone_of
from reports.found import Found
from reports.model import STATES, AdviceLine, FlagLine, NodeLine, VisitDay
from reports.odds import RISK_FRAC, flat_by

SETTINGS = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
HISTORY_D = 182
FARTHEST_D = 3650.0
"""Days ahead behind which no date is named."""


def node_lines(
    found: Found, visits: Mapping[str, tuple[VisitDay, VisitDay]], zones: Mapping[str, str], as_of: float
) -> list[NodeLine]:
    """One line a node that is not retired, most urgent first."""
    table = found.nodes.merge(found.estimates, on="node_id", how="left", suffixes=("", "_est")).reset_index(drop=True)
    next_d = np.array([visits[site][0].ahead_d for site in table["site"]], float)
    after_d = np.array([visits[site][1].ahead_d for site in table["site"]], float)
    flat = flat_by(table, np.column_stack([next_d, after_d])) if len(table) else np.empty((0, 2))
    table["lasts_next"], table["lasts_after"] = 1 - flat[:, 0], 1 - flat[:, 1]
    median = table.groupby("site")["wakes_per_day"].transform("median")
    table["wakes_ratio"] = (table["wakes_per_day"] / median).where(median > 0)
    beside = _Beside(found, zones, as_of)
    lines = [_line(row, beside) for row in rows_of(table)]
    return sorted(lines, key=_need)


def state_of(lasts_next: float | None, lasts_after: float | None) -> str:
    """`due` if the next visit is at risk, `soon` if the one after is, `holds` otherwise; `unsure` is not known."""
    if lasts_next is None or lasts_after is None:
        return "unsure"
    if 1 - lasts_next >= RISK_FRAC - 1e-12:
        return "due"
    return "soon" if 1 - lasts_after >= RISK_FRAC - 1e-12 else "holds"


def _need(line: NodeLine) -> tuple[int, float, str, int]:
    return (
        STATES.index(line.state),
        line.days_left_p10 if line.days_left_p10 is not None else np.inf,
        line.node,
        line.node_id,
    )


class _Beside:
    """Frames beside the estimates, by node."""

    def __init__(self, found: Found, zones: Mapping[str, str], as_of: float) -> None:
        self.zones, self.as_of, self.cells = zones, as_of, found.cells_per_node
        self.flags = _by_node(found.flags)
        self.advice = _by_node(found.advice)
        today = as_of // 86_400
        recent = found.charge[found.charge["day"] >= today - HISTORY_D] if len(found.charge) else found.charge
        self.history = {
            node_id: _weekly(part["day"].to_numpy(), part["charge_left"].to_numpy(float))
            for node_id, part in parts_by_node(recent.sort_values("day"))
        }
        self.fan = {node_id: _fan(part) for node_id, part in parts_by_node(found.outlook.sort_values("ahead_d"))}


def _fan(outlook: pd.DataFrame) -> list[tuple[int, float, float, float, float, float]]:
    """Quantiles ahead, up to the first day on which even the highest is zero."""
    rows = []
    for ahead_d, *levels in outlook[["ahead_d", "p10", "p25", "p50", "p75", "p90"]].dropna().to_numpy().tolist():
        p10, p25, p50, p75, p90 = (round(level, 4) for level in levels)
        rows.append((int(ahead_d), p10, p25, p50, p75, p90))
        if p90 <= 0:
            break
    return rows


def _by_node(frame: pd.DataFrame) -> dict[int, list[dict[str, Any]]]:
    return {node_id: rows_of(part) for node_id, part in parts_by_node(frame)}


def _weekly(days: np.ndarray[Any, Any], level: np.ndarray[Any, Any]) -> list[tuple[int, float]]:
    """At most one point in three days: a small cell shows no more."""
    kept: list[tuple[int, float]] = []
    for day, value in zip(days.tolist(), level.tolist(), strict=True):
        if np.isfinite(value) and (not kept or day - kept[-1][0] >= 3):
            kept.append((int(day), round(value, 4)))
    if len(days) and np.isfinite(level[-1]) and kept and kept[-1][0] != int(days[-1]):
        kept.append((int(days[-1]), round(float(level[-1]), 4)))
    return kept


def known(value: Any, digits: int = 6) -> float | None:
    """The number to so many significant digits, or None where it is not known."""
    if value is None or not np.isfinite(value):
        return None
    return float(f"{float(value):.{digits}g}")


def _line(row: dict[str, Any], beside: _Beside) -> NodeLine:
    node_id = int(row["node_id"])
    lasts_next, lasts_after = known(row["lasts_next"], 9), known(row["lasts_after"], 9)
    flags = [_flag(flag, beside.zones[row["site"]]) for flag in beside.flags.get(node_id, [])]
    flags.sort(key=lambda flag: (flag.under != "", -(flag.strength or 0), flag.flag))
    state = state_of(lasts_next, lasts_after)
    quiet = next((flag for flag in flags if flag.flag == Flag.GONE_QUIET), None)
    advice = beside.advice.get(node_id)
    p10, p50, p90 = (known(row[f"days_left_{share}"]) for share in ("p10", "p50", "p90"))
    return NodeLine(
        node_id=node_id,
        node=str(row["node"]),
        site=str(row["site"]),
        chemistry=str(row["chemistry"] or "") if isinstance(row["chemistry"], str) else "",
        cells=int(beside.cells.get(str(row["profile"]), 1)),
        state=state,
        why_unsure=_why(row.get("why_null")) if state == "unsure" else "",
        last_heard=known(row["last_heard"], 12),
        silent_since_day=quiet.since_day if quiet else None,
        latitude=known(row["latitude"], 9),
        longitude=known(row["longitude"], 9),
        charge_left=known(row["charge_left"]),
        charge_left_lo=known(row["charge_left_lo"]),
        charge_left_hi=known(row["charge_left_hi"]),
        days_left_p10=p10,
        days_left_p50=p50,
        days_left_p90=p90,
        day_p10=_day(p10, row["site"], beside),
        day_p50=_day(p50, row["site"], beside),
        day_p90=_day(p90, row["site"], beside),
        wakes_per_day=known(row["wakes_per_day"]),
        wakes_ratio=known(row["wakes_ratio"]),
        drain_mah_per_day=known(row["drain_mah_per_day"]),
        drain_mah_per_day_lo=known(row["drain_mah_per_day_lo"]),
        drain_mah_per_day_hi=known(row["drain_mah_per_day_hi"]),
        lasts_next=lasts_next,
        lasts_after=lasts_after,
        parts=parts_of(row),
        flags=flags,
        advice=_advice(row, advice[0]) if advice else None,
        history=beside.history.get(node_id, []),
        fan=beside.fan.get(node_id, []),
    )


def _day(days: float | None, site: str, beside: _Beside) -> str | None:
    if days is None or days > FARTHEST_D:
        return None
    return day_ahead(beside.as_of, days, beside.zones[site]).isoformat()


def _why(why_null: Any) -> str:
    """The sentence why there are no days left."""
    if isinstance(why_null, dict):
        for name in ("days_left_p50", "days_left", "dead_by", "charge_left", "*"):
            if why_null.get(name):
                return str(why_null[name])
        return str(next(iter(why_null.values()), ""))
    return ""


def _flag(flag: dict[str, Any], zone: str) -> FlagLine:
    since = flag["since"]
    return FlagLine(
        flag=str(flag["flag"]),
        since_day=local_day(float(since), zone_of(zone)).isoformat() if known(since) is not None else None,
        strength=known(flag["strength"]),
        evidence=str(flag["evidence"] or ""),
        part=str(flag["part"] or ""),
        under=str(flag["under"] or ""),
    )


def _advice(row: dict[str, Any], advice: dict[str, Any]) -> AdviceLine:
    def three(name: str) -> tuple[float | None, float | None, float | None]:
        return known(advice[name]), known(advice[f"{name}_lo"]), known(advice[f"{name}_hi"])

    proposed = {name: known(advice[name]) for name in SETTINGS}
    present = {name: known(row[name]) for name in SETTINGS}
    return AdviceLine(
        now={name: value for name, value in present.items() if value is not None},
        proposed={name: v for name, v in proposed.items() if v is not None and v != present[name]},
        wakes_per_day=three("wakes_per_day"),
        drain_mah_per_day=three("drain_mah_per_day"),
        events_seen=three("events_seen"),
        days_left=(known(advice["days_left_p50"]), known(advice["days_left_p10"]), known(advice["days_left_p90"])),
        method=str(advice["method"] or ""),
        sentence=str(advice["sentence"] or ""),
        remedy=str(advice["remedy"] or ""),
    )


def parts_of(row: dict[str, Any]) -> dict[str, float | None]:
    """Charge by use, mAh a day. Not accounted for: what the battery lost beyond what the profile explains.

    None where it can't be told; a battery that loses less than explained has 0 of it.
    """
    band = set(BAND_CAUSES)
    other = set(Cause) - band - set(CAUSE_GROUPS["timer"])
    parts: dict[str, float | None] = {
        "self_discharge": known(row["part_self_discharge"]),
        "sleep": known(row["part_sleep"]),
        "coprocessor": known(row["part_coprocessor"]),
        "wake_timer": known(row["part_wake_timer"]),
        "wake_band": _sum(row, band),
        "wake_other": _sum(row, other),
        "radio": known(row["part_radio"]),
    }
    explained = [value for value in parts.values() if value is not None]
    ratio = known(row["drain_ratio"])
    parts["unaccounted"] = None if ratio is None or not explained else known(max(0.0, ratio - 1) * sum(explained))
    return parts


def _sum(row: dict[str, Any], causes: set[Cause]) -> float | None:
    values = [known(row[f"part_wake_{cause.word}"]) for cause in sorted(causes)]
    told = [value for value in values if value is not None]
    return known(sum(told)) if told else None
