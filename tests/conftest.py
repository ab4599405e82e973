"""Fixtures for all tests: a private PostgreSQL server, and a fresh store on either database."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest

from fleet.store.engine import Store, open_store

WITHOUT = "WAKELEDGER_NO_POSTGRESQL"
_numbers = count(1)


def _bin() -> Path:
    """Folder of the newest PostgreSQL server here."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    on_path = shutil.which("initdb")
    if found or on_path:
        return (found[-1] if found else Path(str(on_path))).parent
    if os.environ.get(WITHOUT) == "1":
        pytest.skip(f"{WITHOUT}=1: no PostgreSQL here, as said")
    pytest.fail(f"no PostgreSQL server found. Install the package `postgresql`, or set {WITHOUT}=1 to go without.")


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """Folder of the socket of a server of our own; its data goes when the tests end."""
    programs = _bin()
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    as_whom: list[str] = []
    if os.geteuid() == 0:  # the server refuses to run as root
        runuser = shutil.which("runuser", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin") or "runuser"
        as_whom = [runuser, "-u", "postgres", "--"]
        shutil.chown(folder, "postgres")
    data = folder / "data"

    def run(*words: str) -> None:
        done = subprocess.run([*as_whom, *words], cwd="/", capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{words[0]}: {done.stderr}{done.stdout}"

    run(f"{programs}/initdb", "-D", str(data), "-U", "postgres", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C")
    options = f"-c listen_addresses='' -k {folder} -c fsync=off -c shared_buffers=32MB -c max_wal_size=256MB"
    run(f"{programs}/pg_ctl", "-D", str(data), "-l", str(folder / "log"), "-w", "-o", options, "start")
    try:
        yield str(folder)
    finally:
        run(f"{programs}/pg_ctl", "-D", str(data), "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server: str) -> str:
    """URL of a fresh, empty schema: as good as a database of one's own, and made in no time."""
    import psycopg

    name = f"t{next(_numbers)}"
    with psycopg.connect(f"host={postgres_server} user=postgres dbname=postgres", autocommit=True) as link:
        link.execute(f"CREATE SCHEMA {name}")
    return f"postgresql://postgres@/postgres?host={postgres_server}&options=-csearch_path%3D{name}"


@pytest.fixture(params=["sqlite", "postgresql"])
def either_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """A fresh store: the test runs on SQLite and again on PostgreSQL."""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    else:
        url = str(request.getfixturevalue("postgres_url"))
    with open_store(url) as store:
        yield store
