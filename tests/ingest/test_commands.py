"""The ingester's commands, run as a person or a service manager runs them."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

import ingest.commands
from fleet.errors import StoreError
from fleet.wire_recording import Message, read_recording, write_recording
from tests.ingest.brokers import free_port

RUN = """
import sys, typer
from fleet.errors import FleetError
import ingest.commands
app = typer.Typer(); ingest.commands.register(app)
try: app()
except FleetError as why: print(why, file=sys.stderr); sys.exit(why.exit_code)
"""


ROOT = Path(__file__).parents[2]


@pytest.fixture
def folder(tmp_path: Path, embedded: int, monkeypatch: pytest.MonkeyPatch) -> Path:
    root = f"c{time.monotonic_ns()}"
    broker = f'[broker]\nurl = "mqtt://127.0.0.1:{embedded}"\nroot = "{root}"\nclient_id = "{root}"\n'
    (tmp_path / "fleet.toml").write_text('database = "sqlite:///fleet.sqlite"\n' + broker)
    (tmp_path / "root").write_text(root)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def environment(folder: Path, **more: str) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT), "FLEET_SETTINGS": str(folder / "fleet.toml")} | more


def run(folder: Path, *words: str) -> Result:
    """In this process: a process each would cost a second a command."""
    app = typer.Typer()
    ingest.commands.register(app)
    return CliRunner(env={"FLEET_SETTINGS": str(folder / "fleet.toml")}).invoke(app, list(words))


def messages(folder: Path, count: int) -> list[Message]:
    root = (folder / "root").read_text()
    return [
        Message(1.8e9 + n, f"{root}/n{n % 3}/wake", b'{"boot":1,"seq":%d,"cause":"timer","fw":"1"}' % n)
        for n in range(count)
    ]


def test_loading_is_idempotent_resumable_and_dumps_what_it_took(folder: Path) -> None:
    sent = messages(folder, 30)
    write_recording(folder / "a.jsonl.zst", sent)
    with (folder / "b.jsonl").open("wb") as file:
        file.write(b"not a line\n")
    write_recording(folder / "c.jsonl", [*sent, *messages(folder, 40)[30:]])
    assert "30 records stored, 0 were there already" in run(folder, "load", "a.jsonl.zst").stderr
    assert "30 lines of an earlier load passed over" in run(folder, "load", "a.jsonl.zst").stderr
    for _ in range(2):
        run(folder, "load", "b.jsonl")
    assert "10 records stored" in run(folder, "load", "c.jsonl").stderr
    listed = json.loads(run(folder, "setaside", "list", "--json").stdout)
    assert [one["reason"] for one in listed] == ["bad_line"]
    assert run(folder, "setaside", "show", "1", "--raw").stdout == "not a line"
    assert run(folder, "dump", "out.jsonl.gz").exit_code == 0
    back = [one for one in read_recording(folder / "out.jsonl.gz") if isinstance(one, Message)]
    assert [(one.at, one.topic, json.loads(one.payload)) for one in back] == [
        (one.at, one.topic, json.loads(one.payload)) for one in messages(folder, 40)
    ]
    assert "n0" in run(folder, "adopt").stdout
    assert run(folder, "adopt", "n0", "--profile", "creek").exit_code == 0
    assert "n0" not in run(folder, "adopt").stdout


MAPPING = """
version = 1
[[dialect]]
name = "card"
format = "csv"
file = "{node}.csv"
[dialect.pick]
boot = "$.boot"
seq = "$.n"
cause = {path = "$.why", words = {T = "timer"}}
t = {path = "$.when", time = "iso8601"}
batt_mv = {path = "$.volt", factor = 1000}
"""


def test_a_memory_cards_log_is_tried_previewed_and_loaded(folder: Path) -> None:
    (folder / "map.toml").write_text(MAPPING)
    (folder / "n9.csv").write_text(
        "boot,n,why,when,volt,note\n1,1,T,2026-05-01T06:00:00Z,2.95,x\n1,2,T,2026-05-01T06:15:00Z,,\nbad,row,,,\n"
    )
    tried = json.loads(run(folder, "mapping", "try", "map.toml", "n9.csv", "--json").stdout)
    assert tried[0]["left_over"] == ["note"]
    assert {field["key"]: field["value"] for field in tried[0]["fields"]}["batt_mv"] == 2950.0
    assert "n9 at 1777615200.000" in run(folder, "load", "n9.csv", "--mapping", "map.toml", "--preview").stdout
    said = run(folder, "load", "n9.csv", "--mapping", "map.toml").stderr
    assert "2 records stored" in said
    assert "1 payloads set aside" in said
    assert "3 lines of an earlier load passed over" in run(folder, "load", "n9.csv", "--mapping", "map.toml").stderr


def test_set_aside_payloads_are_read_again_after_a_mapping_is_mended(folder: Path) -> None:
    write_recording(folder / "r.jsonl", [Message(1.8e9, "loggers/n5/up", b'{"b":1,"n":4}')])
    assert "1 payloads set aside" in run(folder, "load", "r.jsonl").stderr
    mapping = 'version=1\n[[dialect]]\nname="l"\ntopic="loggers/{node}/up"\n[dialect.pick]\nboot="$.b"\nseq="$.n"\n'
    (folder / "map.toml").write_text(mapping + 'cause={default="timer"}\n')
    with (folder / "fleet.toml").open("a") as file:
        file.write('[ingest]\nmapping = "map.toml"\n')
    assert "1 payloads read now; 0 still can't be" in run(folder, "setaside", "retry").stderr
    assert json.loads(run(folder, "setaside", "list", "--json").stdout) == []


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """A service manager's socket (sd_notify(3))."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.settimeout(20)
        yield sock


def get(port: int, path: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as why:
        with why:
            return why.code, why.read().decode()


def test_the_service_tells_its_manager_serves_metrics_keeps_others_off_and_stops_clean(
    folder: Path, manager: socket.socket
) -> None:
    port = free_port()
    more: dict[str, Any] = {"NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "900000"}
    command = [sys.executable, "-c", RUN, "listen", "--metrics-port", str(port), "--no-orders"]
    service = subprocess.Popen(command, cwd=folder, env=environment(folder, **more), stderr=subprocess.PIPE, text=True)
    try:
        assert manager.recv(200).startswith(b"READY=1\n")
        assert manager.recv(200) == b"WATCHDOG=1"
        write_recording(folder / "r.jsonl", messages(folder, 5))
        assert "5 messages published" in run(folder, "replay", "r.jsonl").stderr
        until = time.monotonic() + 10
        while "wakeledger_records_stored_total 5\n" not in get(port, "/metrics")[1] and time.monotonic() < until:
            time.sleep(0.05)
        assert "wakeledger_records_stored_total 5\n" in get(port, "/metrics")[1]
        assert [get(port, path)[0] for path in ("/healthz", "/readyz", "/other")] == [200, 200, 404]
        second = run(folder, "load", "r.jsonl")
        assert isinstance(second.exception, StoreError)
        assert f"held by process {service.pid} (wakeledger listen)" in str(second.exception)
    finally:
        service.send_signal(signal.SIGTERM)
        try:
            said = service.communicate(timeout=20)[1]
        finally:
            service.kill()
    assert service.returncode == 0
    assert "stopped: 5 records stored" in said
    assert "5 were there already" in run(folder, "load", "r.jsonl").stderr  # the lease is free again
