"""One holder at a time, named to the one who comes second, and no lease outlives its holder for long."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from fleet.errors import StoreError
from fleet.store.engine import Store, open_store
from fleet.store.lease import LEASE_S, Holder, _put, held, holder_of

NOW = 1e9
HOLDS = """
import os, sys
from fleet.store.engine import open_store
from fleet.store.lease import held
store = open_store(sys.argv[1])
with held(store, "ingest", what="listen", now_s=lambda: 1e9):
    print(os.getpid(), flush=True)
    sys.stdin.readline()
    os._exit(9)
"""


def now() -> float:
    return NOW


def test_the_second_one_is_told_who_is_first(either_store: Store) -> None:
    with held(either_store, "ingest", what="listen", now_s=now) as renew:
        renew()
        with (
            pytest.raises(StoreError, match=rf"held by process {os.getpid()} \(listen\)"),
            held(either_store, "ingest", what="load", now_s=now),
        ):
            pass
        with held(either_store, "roll_up", what="analyse", now_s=now):  # another thing
            pass
    assert holder_of(either_store, "ingest", NOW) is None
    with held(either_store, "ingest", what="load", now_s=now):
        assert holder_of(either_store, "ingest", NOW).what == "load"  # type: ignore[union-attr]


def test_a_lease_of_another_host_runs_out(either_store: Store) -> None:
    with either_store.write() as conn:
        _put(conn, "ingest", Holder("elsewhere", 7, "listen", NOW), NOW + LEASE_S)
    with pytest.raises(StoreError, match="process 7"), held(either_store, "ingest", what="load", now_s=now):
        pass
    with held(either_store, "ingest", what="load", now_s=lambda: NOW + LEASE_S + 1):
        pass


def test_a_lease_lost_is_noticed(either_store: Store) -> None:
    with held(either_store, "ingest", what="listen", now_s=now) as renew:
        with either_store.write() as conn:
            _put(conn, "ingest", Holder("elsewhere", 7, "listen", NOW), NOW + LEASE_S)
        with pytest.raises(StoreError, match="went to another process"):
            renew()


def test_a_killed_holder_frees_it_at_once_on_sqlite(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    child = subprocess.Popen(
        [sys.executable, "-c", HOLDS, url],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
    )
    assert child.stdout is not None and child.stdin is not None
    pid = int(child.stdout.readline())
    with open_store(url) as store:
        with pytest.raises(StoreError, match=f"process {pid} "), held(store, "ingest", what="load", now_s=now):
            pass
        child.stdin.write("\n")
        child.stdin.close()
        child.wait()
        child.stdout.close()
        with held(store, "ingest", what="load", now_s=now):
            assert holder_of(store, "ingest", NOW) == msgspec.structs.replace(
                holder_of(store, "ingest", NOW), pid=os.getpid()
            )
