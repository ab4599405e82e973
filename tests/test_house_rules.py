"""The rules of this house that a machine can hold: sizes, names, clock, borders. A failing line names the place."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("fleet", "ingest", "reports", "migrations")
MIDDLE = ("daily", "estimates", "flags", "advice")
MODULE_LINES = 300
BODY_STATEMENTS = 40
POSITIONAL = 5
FORBIDDEN_NAMES = {"utils", "misc", "common", "helpers", "util"}
NOW = {("datetime", "now"), ("datetime", "utcnow"), ("time", "time"), ("date", "today"), ("datetime", "today")}
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
ON_NODE = "micropython_node"  # runs on a node's own interpreter, under its own rules


def relative(path: Path) -> str:
    return str(path.relative_to(ROOT))


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))


def statements(node: ast.AST) -> int:
    return sum(isinstance(child, ast.stmt) for child in ast.walk(node)) - 1


def test_no_module_is_longer_than_its_limit() -> None:
    long = {relative(p): n for p in MODULES if (n := len(p.read_text(encoding="utf-8").splitlines())) > MODULE_LINES}
    assert not long


def test_no_function_body_is_longer_than_its_limit() -> None:
    long = [
        f"{relative(path)}:{node.lineno} {node.name} has {count} statements"
        for path in MODULES
        for node in functions(tree_of(path))
        if (count := statements(node)) > BODY_STATEMENTS
    ]
    assert not long


def test_no_more_than_five_positional_parameters() -> None:
    many = [
        f"{relative(path)}:{node.lineno} {node.name}"
        for path in MODULES
        if "commands" not in str(path)  # there each parameter is an option by name
        for node in functions(tree_of(path))
        if len([a for a in node.args.posonlyargs + node.args.args if a.arg not in {"self", "cls"}]) > POSITIONAL
    ]
    assert not many


def test_no_module_has_a_name_that_says_nothing() -> None:
    assert not [relative(path) for path in MODULES if path.stem in FORBIDDEN_NAMES]


def test_only_the_clock_module_reads_the_wall_clock() -> None:
    readers = [
        f"{relative(path)}:{node.lineno}"
        for path in MODULES
        if relative(path) != "fleet/clock.py" and ON_NODE not in str(path)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and (node.func.value.id, node.func.attr) in NOW
    ]
    assert not readers


@pytest.mark.parametrize("stage", MIDDLE)
def test_the_middle_opens_no_file(stage: str) -> None:
    openers = [
        f"{relative(path)}:{node.lineno}"
        for path in MODULES
        if path.parent == ROOT / "fleet" / stage
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"open", "print", "input"}
    ]
    assert not openers


def test_a_caught_error_is_never_dropped() -> None:
    dropped = [
        f"{relative(path)}:{node.lineno}"
        for path in MODULES
        if ON_NODE not in str(path)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or (isinstance(node.type, ast.Name) and node.type.id in {"Exception", "BaseException"}))
        and not any(isinstance(child, ast.Raise | ast.Call) for child in ast.walk(node))
    ]
    assert not dropped


def test_every_public_function_and_module_says_what_it_gives() -> None:
    silent = [relative(path) for path in MODULES if path.name != "__init__.py" and not ast.get_docstring(tree_of(path))]
    silent += [
        f"{relative(path)}:{node.lineno} {node.name}"
        for path in MODULES
        if ON_NODE not in str(path)
        for node in tree_of(path).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert not silent


def test_migrations_never_import_the_fleet() -> None:
    steps = (ROOT / "migrations" / "versions").glob("*.py")
    assert not [
        relative(path) for path in steps if "import fleet" in (text := path.read_text()) or "from fleet" in text
    ]
