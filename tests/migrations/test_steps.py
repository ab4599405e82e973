"""Steps make the tables that the program uses, on either database, all or nothing."""

from __future__ import annotations

import ast
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text

from fleet.errors import StoreError
from fleet.store.engine import HEAD, Store, database_version, open_store
from fleet.store.tables import METADATA
from fleet.store.upgrade import newest_step, upgrade_store

ROOT = Path(__file__).parents[2]
KILLED = """
import sys
from fleet.store.engine import open_store
print("up", flush=True)
open_store(sys.argv[1]).close()
"""


def test_steps_make_the_tables_of_the_program(either_store: Store) -> None:
    def ours(thing: object, name: str | None, kind: str, reflected: bool, other: object) -> bool:
        return not (kind == "table" and reflected and str(name).startswith(("wakes_", "alembic_")))

    with either_store.read() as conn:
        context = MigrationContext.configure(conn, opts={"compare_type": True, "include_object": ours})
        assert compare_metadata(context, METADATA) == []
        keys = {table: set(inspect(conn).get_pk_constraint(table)["constrained_columns"]) for table in METADATA.tables}
    assert keys == {name: {c.name for c in table.primary_key.columns} for name, table in METADATA.tables.items()}


def test_sqlite_tables_are_strict_and_clustered(tmp_path: Path) -> None:
    with open_store(f"sqlite:///{tmp_path / 'a.sqlite'}") as store, store.read() as conn:
        rows = conn.exec_driver_sql("SELECT name, strict, wr FROM pragma_table_list WHERE type = 'table'").all()
    kinds = {name: (strict, keyed) for name, strict, keyed in rows if name in METADATA.tables}
    assert set(kinds) == set(METADATA.tables)
    assert all(strict for strict, _ in kinds.values())
    assert {name for name, (_, keyed) in kinds.items() if keyed} == {
        name for name, table in METADATA.tables.items() if not table.dialect_options["sqlite"]["with_rowid"]
    }


def test_the_program_knows_the_newest_step() -> None:
    assert newest_step() == HEAD


def test_no_step_imports_the_program() -> None:
    for path in (ROOT / "migrations").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            assert not [name for name in names if name.split(".")[0] in ("fleet", "ingest", "reports")], path


def test_the_alembic_command_works_by_itself(tmp_path: Path) -> None:
    """A person who knows only Alembic can run the steps; they are as safe as when the program runs them."""
    file = tmp_path / "a.sqlite"
    ini = tmp_path / "alembic.ini"
    ini.write_text(f"[alembic]\nscript_location = {ROOT / 'migrations'}\npath_separator = os\n", encoding="utf-8")
    words = [sys.executable, "-m", "alembic", "-c", str(ini), "-x", f"url=sqlite:///{file}", "upgrade", "head"]
    subprocess.run(words, check=True, capture_output=True, cwd=tmp_path)
    with open_store(f"sqlite:///{file}", readonly=True) as store:
        assert database_version(store) == HEAD


def test_a_step_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.sqlite"
    with open_store(f"sqlite:///{file}", check_version=False) as store:
        with store.write() as conn:
            conn.execute(text("CREATE TABLE notes (x INTEGER)"))  # in the way of one of ours
        with pytest.raises(StoreError, match="The database is as it was"):
            upgrade_store(store)
        with store.read() as conn:
            assert inspect(conn).get_table_names() == ["notes"]


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "a.sqlite"
    with sqlite3.connect(file) as link:
        link.execute("CREATE TABLE other (x)")
    link.close()
    with pytest.raises(StoreError, match="no version of ours"):
        open_store(f"sqlite:///{file}")


def test_an_older_database_is_named_and_a_copy_kept(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'a.sqlite'}"
    with open_store(url) as store, store.write() as conn:
        conn.execute(text("UPDATE alembic_version SET version_num = '0000'"))
    with pytest.raises(StoreError, match=r"of version 0000, this program needs .*db upgrade"):
        open_store(url)
    with open_store(url, check_version=False) as store, store.write() as conn:
        conn.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="newer program"):
        open_store(url)


def _killed_upgrade(file: Path, after_s: float) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", KILLED, f"sqlite:///{file}"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert child.stdout is not None
    child.stdout.readline()
    time.sleep(after_s)
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()


def _is_whole(file: Path) -> bool:
    """New, or as before; and in both cases the next run brings it up."""
    with open_store(f"sqlite:///{file}", check_version=False) as store:
        before = database_version(store)
        with store.read() as conn:
            tables = set(inspect(conn).get_table_names())
        whole = tables == set() if before is None else set(METADATA.tables) < tables
    with open_store(f"sqlite:///{file}") as store:
        return whole and database_version(store) == HEAD


def test_killed_midway_it_is_old_or_new(tmp_path: Path) -> None:
    for number in range(4):
        file = tmp_path / f"{number}.sqlite"
        _killed_upgrade(file, 0.004 * number)
        assert _is_whole(file)


def _dies_at_write(file: Path, limit_bytes: int) -> bool:
    """Whether a child that upgrades is killed by the write that would make any file longer than this."""
    child = os.fork()
    if child == 0:
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
        open_store(f"sqlite:///{file}").close()
        os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def _halves(folder: Path, limits_bytes: range) -> tuple[int, list[int]]:
    """How many children were killed, and at which limits that left a half."""
    killed, halves = 0, []
    for limit_bytes in limits_bytes:
        file = folder / f"{limit_bytes}.sqlite"
        killed += _dies_at_write(file, limit_bytes)
        if not _is_whole(file):
            halves.append(limit_bytes)
    return killed, halves


def test_killed_at_a_write_it_is_old_or_new(tmp_path: Path) -> None:
    killed, halves = _halves(tmp_path, range(1_000, 200_000, 40_000))
    assert killed >= 3 and not halves


@pytest.mark.slow
def test_killed_at_every_write_it_is_old_or_new(tmp_path: Path) -> None:
    """Every page of the log and of the file is some limit's last one."""
    killed, halves = _halves(tmp_path, range(0, 400_000, 2_048))
    assert killed > 60 and not halves
