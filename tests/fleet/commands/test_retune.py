"""`wakeledger retune`, `keys` and `audit` as a person calls them, over a store of eight days of records."""

from __future__ import annotations

import json
import stat
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from fleet.cli import app
from fleet.clock import now_s
from fleet.errors import FleetError, StoreError
from fleet.jobs.one_tool import one_tool
from fleet.store.audit import audit_head
from fleet.store.engine import open_store
from fleet.store.for_report import overrides
from fleet.store.lease import ORDERS, holder_of
from fleet.store.orders import read_orders
from fleet.wire_order import open_order
from tests.fleet.jobs.played import PlayedFleet


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> PlayedFleet:
    made = PlayedFleet(tmp_path_factory.mktemp("fleet"), 20)
    made.live(192)
    made.store.close()
    return made


@pytest.fixture
def fleet(lived: PlayedFleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PlayedFleet]:
    """A copy of it, its folder the present one, its last record just now."""
    made = lived.copied(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_SETTINGS", str(tmp_path / "fleet.toml"))

    def now_at() -> datetime:
        return made.now_at

    monkeypatch.setattr("fleet.clock.now_utc", now_at)
    yield made
    made.store.close()


def run(*words: str, said: str | None = None) -> Result:
    return CliRunner().invoke(app, list(words), input=said, env={"USER": "ann"})


def exit_code(result: Result) -> int:
    """What the shell would see: `main` turns a FleetError into its code."""
    return result.exception.exit_code if isinstance(result.exception, FleetError) else result.exit_code


def drafted(*names: str, hyst: str = "0.1") -> None:
    done = run("retune", "draft", *names, "--hyst", hyst, "--who", "ann")
    assert done.exit_code == 0, done.exception


def test_a_draft_within_the_limits_passes_the_check_and_shows_its_settings(fleet: PlayedFleet) -> None:
    drafted("n001", "n002")
    assert run("retune", "check").exit_code == 0
    shown = json.loads(run("retune", "show", "1").stdout)
    assert (shown["hyst"], shown["state"], json.loads(shown["before"])["hyst"]) == (0.1, "drafted", 0.05)
    assert [row["node"] for row in json.loads(run("retune", "list", "--json").stdout)] == ["n002", "n001"]
    assert exit_code(run("retune", "show", "9")) == 5


def test_a_draft_beyond_a_limit_fails_the_check_with_5(fleet: PlayedFleet) -> None:
    assert run("retune", "draft", "n001", "--sleep", "20000", "--who", "ann").exit_code == 0
    checked = run("retune", "check")
    assert checked.exit_code == 5
    assert "G1" in checked.stdout
    assert exit_code(run("retune", "send", "--yes", "1", "--who", "ann")) == 5


def test_the_number_of_nodes_must_be_typed(fleet: PlayedFleet) -> None:
    drafted("n001", "n002")
    wrong = run("retune", "send", "--who", "ann", said="3\n")
    assert exit_code(wrong) == 5
    assert "2 nodes would get an order, 3 was said" in str(wrong.exception)
    assert set(read_orders(fleet.store)["state"]) == {"drafted"}
    assert run("retune", "send", "--who", "ann", said="2\n").exit_code == 0
    assert sorted(read_orders(fleet.store)["state"]) == ["drafted", "sealed"]


def test_a_dry_run_prints_topic_and_bytes_and_writes_nothing(fleet: PlayedFleet) -> None:
    drafted("n001")
    before = audit_head(fleet.store)
    tried = run("retune", "send", "--dry-run")
    line = next(one for one in tried.stdout.splitlines() if one.startswith("marsh/"))
    topic, frame, said = line.split("\t")
    key = fleet.nodes["n001"].key
    opened = open_order(bytes.fromhex(frame), key=key.key, key_id=key.key_id, topic=topic)
    assert (topic, opened.rev, said) == ("marsh/n001/retune", 1, "within limits")
    assert opened.settings is not None and opened.settings.hyst == 0.1
    assert "hyst 0.05 → 0.1" in tried.stdout
    assert audit_head(fleet.store) == before
    assert list(read_orders(fleet.store)["state"]) == ["drafted"]


def test_an_override_needs_a_reason_and_another_person_for_one_node_alone(fleet: PlayedFleet) -> None:
    assert run("retune", "draft", "n001", "--sleep", "20000", "--who", "ann").exit_code == 0
    send = ("retune", "send", "--yes", "1", "--who", "ann", "--override")
    for words in ((*send, "thaw"), (*send, "thaw", "--second", "Ann"), (*send, " ", "--second", "bob")):
        assert exit_code(run(*words)) == 5
    assert run(*send, "thaw", "--second", "bob").exit_code == 0
    (told,) = overrides(fleet.store)
    assert told["node"] == "n001"
    assert "G1" in told["text"] and "ann and bob: thaw" in told["text"]


def test_an_override_never_covers_a_group(fleet: PlayedFleet) -> None:
    assert run("retune", "draft", "n001", "n002", "--sleep", "20000", "--who", "ann").exit_code == 0
    refused = run("retune", "send", "--yes", "2", "--who", "ann", "--override", "thaw", "--second", "bob")
    assert exit_code(refused) == 5
    assert "one node at a time" in str(refused.exception)


def test_hold_stops_once_and_putback_needs_an_order(fleet: PlayedFleet) -> None:
    drafted("n001", "n002")
    assert run("retune", "send", "--yes", "2", "--who", "ann").exit_code == 0
    assert run("retune", "hold", "1", "--why", "wrong unit", "--who", "bob").exit_code == 0
    assert exit_code(run("retune", "hold", "1")) == 5
    assert set(read_orders(fleet.store)["state"]) == {"lapsed"}
    assert exit_code(run("retune", "putback", "n003")) == 5


def test_a_pair_is_declared_with_the_draft(fleet: PlayedFleet) -> None:
    done = run("retune", "draft", "n001", "--hyst", "0.1", "--never-with", "n002", "--who", "ann")
    assert done.exit_code == 0
    assert read_orders(fleet.store)["detail"][0] == "never with n002"
    assert exit_code(run("retune", "draft", "n003", "--hyst", "0.1", "--never-with", "n999")) == 5


def test_one_tool_at_a_time_and_the_other_is_named(fleet: PlayedFleet) -> None:
    drafted("n001")
    with one_tool(fleet.store, "a bench program"):
        refused = None
        try:
            with open_store(fleet.settings.database_url) as other, one_tool(other, "send", wait_s=0.2):
                pass
        except StoreError as why:
            refused = str(why)
    assert refused is not None and "(a bench program)" in refused and "process" in refused
    assert holder_of(fleet.store, ORDERS, now_s()) is None
    assert run("retune", "send", "--yes", "1", "--who", "ann").exit_code == 0


def test_keys_are_made_exported_and_listed_without_the_key(fleet: PlayedFleet, tmp_path: Path) -> None:
    before = run("keys", "export", "n001").stdout.split()
    assert run("keys", "make", "n001").exit_code == 0
    key_id, key = run("keys", "export", "n001").stdout.split()
    assert (before[0], key_id, len(key)) == ("n001-1", "n001-2", 64)
    assert key != before[1]
    assert stat.S_IMODE((tmp_path / "keys" / "n001.key").stat().st_mode) == 0o600
    listed = run("keys", "list", "--json").stdout
    assert {"node": "n001", "generation": 2} in json.loads(listed)
    assert key not in listed
    assert exit_code(run("keys", "export", "n999")) == 5
    assert exit_code(run("keys", "make", "../n001")) == 5


def test_the_audit_names_the_first_broken_row_and_a_cut_tail(fleet: PlayedFleet) -> None:
    drafted("n001", "n002")
    assert run("mute", "n001", "gone_quiet", "--reason", "moved", "--who", "bob").exit_code == 0
    head = audit_head(fleet.store)
    assert head is not None
    said = run("audit", "verify", "--head", f"{head[0]}:{head[1]}")
    assert (said.exit_code, "the chain holds" in said.stdout) == (0, True)
    rows = json.loads(run("audit", "list", "--json").stdout)
    assert [(row["who"], row["what"]) for row in rows] == [("ann", "draft"), ("ann", "draft"), ("bob", "mute")]
    cut = run("audit", "verify", "--head", f"{head[0] + 1}:{head[1]}")
    assert isinstance(cut.exception, StoreError)
    with fleet.store.engine.begin() as conn:
        for (trigger,) in conn.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            conn.exec_driver_sql(f'DROP TRIGGER "{trigger}"')
        conn.exec_driver_sql("UPDATE audit SET who = 'eve' WHERE n = 2")
    broken = run("audit", "verify")
    assert "row 2" in str(broken.exception)
