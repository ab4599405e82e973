"""Opening: what is asserted of every connection, and what is refused with which words."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from pathlib import Path

import pytest
from sqlalchemy import select, text

from fleet.errors import StoreError
from fleet.store.arrow import read_arrays
from fleet.store.engine import Store, open_store, sqlite_race_note
from fleet.store.tables import NODES


def url_of(folder: Path) -> str:
    return f"sqlite:///{folder / 'ledger.sqlite'}"


def test_sqlite_is_opened_so_that_a_commit_survives_a_power_cut(tmp_path: Path) -> None:
    with open_store(url_of(tmp_path)) as store, store.write() as conn:
        found = {name: conn.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "synchronous")}
        assert found == {"journal_mode": "wal", "synchronous": 2}  # 2 is FULL (sqlite.org/pragma.html)
        assert conn.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_a_transaction_that_breaks_off_leaves_nothing(either_store: Store) -> None:
    with pytest.raises(KeyError), either_store.write() as conn:
        conn.execute(NODES.insert(), {"node": "n1"})
        raise KeyError
    with either_store.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM nodes")).scalar() == 0


def test_a_reader_sees_one_moment(either_store: Store) -> None:
    with either_store.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM nodes")).scalar() == 0
        with either_store.write() as other:
            other.execute(NODES.insert(), {"node": "n1"})
        assert conn.execute(text("SELECT count(*) FROM nodes")).scalar() == 0


def test_writers_take_their_turn(tmp_path: Path) -> None:
    """Two transactions that read and then write: with deferred ones the second would fail at once."""
    with open_store(url_of(tmp_path)) as store:

        def add() -> None:
            for number in range(20):
                with store.write() as conn:
                    conn.execute(text("SELECT count(*) FROM nodes")).scalar()
                    conn.execute(NODES.insert(), {"node": f"{threading.get_ident()}-{number}"})

        threads = [threading.Thread(target=add) for _ in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        with store.read() as conn:
            assert conn.execute(text("SELECT count(*) FROM nodes")).scalar() == 60


def test_only_reading_makes_no_database_and_writes_none(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no such database"):
        open_store(url_of(tmp_path), readonly=True)
    assert not list(tmp_path.iterdir())
    open_store(url_of(tmp_path)).close()
    with open_store(url_of(tmp_path), readonly=True) as store, pytest.raises(StoreError, match="reading only"):
        store.write().__enter__()


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("mysql://x/y", "not a database URL"),
        ("nonsense", "not a database URL"),
        ("sqlite:////proc/x/y.sqlite", "can't be"),
    ],
)
def test_what_can_not_be_opened_is_named(url: str, said: str) -> None:
    with pytest.raises(StoreError, match=said):
        open_store(url)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    (tmp_path / "ledger.sqlite").write_text("not a database at all, but long enough to have a header" * 3)
    with pytest.raises(StoreError, match="not a database"):
        open_store(url_of(tmp_path))


def test_a_read_only_file_system_is_read_all_the_same(tmp_path: Path) -> None:
    """Needs root for a read-only bind mount; elsewhere a folder without write permission stands in."""
    folder = tmp_path / "data"
    folder.mkdir()
    with open_store(url_of(folder)) as store, store.write() as conn:
        conn.execute(NODES.insert(), {"node": "n1"})
    seen = tmp_path / "seen"
    if os.geteuid() == 0 and shutil.which("unshare"):
        seen.mkdir()
        script = (
            f"mount --bind {folder} {seen} && mount -o remount,ro,bind {seen} && "
            f"exec {os.sys.executable} -c '{READ}' sqlite:///{seen}/ledger.sqlite"  # type: ignore[attr-defined]
        )
        done = subprocess.run(
            ["unshare", "-m", "sh", "-c", script],
            capture_output=True,
            text=True,
            check=False,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
        )
        assert (done.stdout.split(), done.stderr) == (["True", "1"], "")
        return
    folder.chmod(0o555)
    with open_store(url_of(folder), readonly=True) as store, store.read() as conn:
        assert store.snapshot and conn.execute(text("SELECT count(*) FROM nodes")).scalar() == 1


READ = """
import sys
from sqlalchemy import text
from fleet.store.engine import open_store
with open_store(sys.argv[1], readonly=True) as store, store.read() as conn:
    print(store.snapshot, conn.execute(text("SELECT count(*) FROM nodes")).scalar())
"""


def test_two_sqlite_libraries_never_hold_one_file_at_once(tmp_path: Path) -> None:
    query, types = select(NODES.c.node_id), {"node_id": "int32"}
    with open_store(url_of(tmp_path)) as store, open_store(url_of(tmp_path)) as same:
        with store.write() as conn:
            conn.execute(NODES.insert(), {"node": "n1"})
        with same.guard.lent() as free:
            assert free
            with pytest.raises(RuntimeError, match="finish the read first"), store.read():
                pass
            waiter = threading.Thread(target=lambda: store.read().__enter__())
            waiter.start()
            waiter.join(0.05)
            assert waiter.is_alive()
        waiter.join(5)
        assert not waiter.is_alive()
        with store.read(), same.guard.lent() as free:
            assert not free
            assert read_arrays(same, query, types)["node_id"].tolist() == [1]


def test_the_log_reset_race_is_named() -> None:
    """Versions as sqlite.org/wal.html lists them: fixed in 3.51.3, and in 3.50.7 and 3.44.6."""
    assert sqlite_race_note((3, 51, 2)) and sqlite_race_note((3, 45, 0)) and sqlite_race_note((3, 50, 6))
    assert not sqlite_race_note((3, 50, 7)) and not sqlite_race_note((3, 52, 0)) and not sqlite_race_note((3, 44, 9))
