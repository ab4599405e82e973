"""Chemistry tables: TOML → Chemistry, each table checked, a voltage that rises with depth of discharge refused."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np

from fleet.errors import SetupError
from fleet.profiles.chemistry import MARKS, Chemistry, Curve, FloatArray, Line
from fleet.profiles.keys import Key, checked_value
from fleet.profiles.profile import Figure

NUMBER = Key("number")
FIGURE = Key("figure")
TEXT = Key("text")
_REMARK: dict[str, Key] = {"source": TEXT, "mark": Key("word", words=tuple(MARKS)), "note": TEXT}
_LINES: dict[str, tuple[str, str]] = {
    "resistance.by_dod": ("dod_frac", "factor"),
    "resistance.by_temp": ("temp_c", "factor"),
    "mv_per_k": ("dod_frac", "mv_per_k"),
    "usable.by_temp": ("temp_c", "share"),
    "usable.by_load": ("rate_per_h", "share"),
}
_FIGURES = (
    "resistance.fresh_mohm",
    "self_discharge.per_year_frac",
    "self_discharge.q10",
    "capacity.measured_over_printed",
    "capacity.brand_over_printed",
)


def read_chemistry(path: Path) -> Chemistry:
    """The chemistry written in one TOML file.

    Raises
    ------
    SetupError
        If the file can't be read, a figure is missing or impossible, or a curve is not monotone.
    """
    try:
        top = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as why:
        raise SetupError(f"{path}: can't be read as TOML: {why}. Correct the file.") from why
    sources = {str(key): str(value) for key, value in top.get("sources", {}).items()}
    curves = tuple(_curve(path, number, table) for number, table in enumerate(top.get("curve", []), start=1))
    if not curves:
        raise SetupError(f"{path}: no [[curve]]. Add one with dod_frac and mv.")
    lines = {name: _line(path, name, _inner(path, top, name), *axes) for name, axes in _LINES.items()}
    figures = {name: _figure(path, top, name) for name in _FIGURES}
    nominal = {key: _number(path, top, key) for key in ("nominal_mv", "cutoff_mv", "cell_sd_mv")}
    return Chemistry(
        name=_text(path, top, "chemistry"),
        title=_text(path, top, "title"),
        fresh_mv=max(float(curve.mv[0]) for curve in curves),
        rechargeable=bool(top.get("rechargeable", False)),
        curves=curves,
        **nominal,
        resistance_mohm=figures["resistance.fresh_mohm"],
        resistance_of_mah=_number(path, _inner(path, top, "resistance"), "of_mah"),
        resistance_by_dod=lines["resistance.by_dod"],
        resistance_by_temp=lines["resistance.by_temp"],
        mv_per_k=lines["mv_per_k"],
        self_discharge_per_year=figures["self_discharge.per_year_frac"],
        q10=figures["self_discharge.q10"],
        usable_by_temp=lines["usable.by_temp"],
        usable_by_load=lines["usable.by_load"],
        measured_over_printed=figures["capacity.measured_over_printed"],
        brand_over_printed=figures["capacity.brand_over_printed"],
        recollected=_recollected(top),
        sources=sources,
    )


def _curve(path: Path, number: int, table: dict[str, Any]) -> Curve:
    where = f"{path}: [[curve]] {number}"
    known = {"name", "dod_frac", "mv", "weight", "loaded", *_REMARK}
    _known_only(where, table, known)
    dod, mv = _points(where, table, "dod_frac", "mv")
    if dod[0] != 0 or dod[-1] != 1:
        raise SetupError(
            f"{where} dod_frac: runs {dod[0]:g} to {dod[-1]:g}; expected 0 to 1. Give the whole discharge."
        )
    rises = np.flatnonzero(np.diff(mv) > 0)
    if rises.size:
        at = int(rises[0])
        raise SetupError(
            f"{where} mv: rises from {mv[at]:g} to {mv[at + 1]:g} between depth {dod[at]:g} and {dod[at + 1]:g}; "
            "expected a voltage that never rises as the cell empties. Correct the points, or smooth them first."
        )
    if mv[-1] <= 0:
        raise SetupError(f"{where} mv: ends at {mv[-1]:g}; expected above 0. Give millivolts of one cell.")
    return Curve(
        name=str(table.get("name", f"curve {number}")),
        dod_frac=dod,
        mv=mv,
        weight=float(checked_value(f"{where} weight", NUMBER, table.get("weight", 1.0))),
        loaded=bool(checked_value(f"{where} loaded", Key("flag"), table.get("loaded", False))),
        source=str(table.get("source", "")),
        mark=_mark(where, table),
    )


def _line(path: Path, name: str, table: dict[str, Any], x_key: str, y_key: str) -> Line:
    where = f"{path}: [{name}]"
    _known_only(where, table, {x_key, y_key, "sd", "log_sd", *_REMARK})
    x, y = _points(where, table, x_key, y_key)
    if y_key != "mv_per_k" and np.any(y <= 0):
        raise SetupError(f"{where} {y_key}: {float(y.min()):g}; expected above 0. Correct the value.")
    sd = table.get("log_sd", table.get("sd", 0.0))
    spread = float(checked_value(f"{where} sd", Key("number", open_low=False), sd))
    return Line(x=x, y=y, sd=spread, source=str(table.get("source", "")), mark=_mark(where, table))


def _points(where: str, table: dict[str, Any], x_key: str, y_key: str) -> tuple[FloatArray, FloatArray]:
    for key in (x_key, y_key):
        values = table.get(key)
        if not isinstance(values, list) or not all(isinstance(one, int | float) for one in values) or not values:
            raise SetupError(f"{where} {key}: {values!r}; expected a list of numbers. Add or correct it.")
    x, y = np.array(table[x_key], dtype=float), np.array(table[y_key], dtype=float)
    if len(x) != len(y):
        raise SetupError(
            f"{where}: {len(x)} values of {x_key} but {len(y)} of {y_key}; expected as many. Add the missing."
        )
    if not (np.isfinite(x).all() and np.isfinite(y).all()) or np.any(np.diff(x) <= 0):
        raise SetupError(
            f"{where} {x_key}: {table[x_key]!r}; expected finite numbers, each above the one before. Sort them."
        )
    return x, y


def _inner(path: Path, top: dict[str, Any], name: str) -> dict[str, Any]:
    table: Any = top
    for part in name.split("."):
        table = table.get(part) if isinstance(table, dict) else None
    if not isinstance(table, dict):
        raise SetupError(
            f"{path}: table [{name}] is missing. Copy it from a built-in chemistry and change its figures."
        )
    return table


def _figure(path: Path, top: dict[str, Any], name: str) -> Figure:
    table, key = name.split(".")
    value = _inner(path, top, table).get(key)
    figure: Figure = checked_value(f"{path}: [{table}] {key}", FIGURE, value)
    if key == "per_year_frac" and figure.mean >= 1:
        raise SetupError(f"{path}: [{table}] {key}: {figure.mean:g}; expected below 1. Give a fraction, not per cent.")
    return figure


def _number(path: Path, table: dict[str, Any], key: str) -> float:
    return float(checked_value(f"{path}: {key}", NUMBER, table.get(key)))


def _text(path: Path, table: dict[str, Any], key: str) -> str:
    return str(checked_value(f"{path}: {key}", TEXT, table.get(key)))


def _mark(where: str, table: dict[str, Any]) -> str:
    return str(checked_value(f"{where} mark", _REMARK["mark"], table.get("mark", "R")))


def _known_only(where: str, table: dict[str, Any], known: set[str]) -> None:
    for key in table:
        if key not in known:
            raise SetupError(f"{where}: unknown key {key!r}. Known: {', '.join(sorted(known))}.")


def _recollected(top: dict[str, Any]) -> tuple[str, ...]:
    """Names of the tables whose figures rest on memory (mark R, or no mark)."""
    names = ["curve"] if all(curve.get("mark", "R") == "R" for curve in top.get("curve", [])) else []
    for name in ("resistance", "mv_per_k", "self_discharge", "usable", "capacity"):
        if top.get(name, {}).get("mark", "R") == "R":
            names.append(name)
    return tuple(names)
