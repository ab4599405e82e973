"""Brokers on loopback: Mosquitto where it is installed, and the embedded one; each with a persistent session for us."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet.settings import Broker, Ingest, Settings
from fleet.store.engine import Store, open_store
from fleet.store.upgrade import upgrade_store

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")

EMBEDDED = """\
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10
[v5.1]
name = "v5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_for_port(port: int) -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            with socket.create_connection(("127.0.0.1", port), 0.2):
                return
        except OSError:
            time.sleep(0.02)
    raise RuntimeError(f"nothing listens on {port}")


def start_mosquitto(folder: Path, port: int) -> subprocess.Popen[bytes]:
    assert MOSQUITTO is not None
    config = folder / f"mosquitto-{port}.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\nmax_inflight_messages 20000\n"
        f"sys_interval 1\npersistence true\npersistence_location {folder}/\n"
    )
    broker = subprocess.Popen([MOSQUITTO, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wait_for_port(port)
    return broker


@pytest.fixture(scope="module")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    broker = start_mosquitto(tmp_path_factory.mktemp("mosquitto"), port)
    yield port
    broker.terminate()
    broker.wait(10)


@pytest.fixture(scope="module")
def embedded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    import iotcore

    port = free_port()
    config = tmp_path_factory.mktemp("embedded") / "broker.toml"
    config.write_text(EMBEDDED.format(port=port))
    with iotcore.Broker(config_path=str(config)):
        yield port


@pytest.fixture(params=["mosquitto", "embedded"])
def port(request: pytest.FixtureRequest) -> int:
    return int(request.getfixturevalue(request.param))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(f"sqlite:///{tmp_path}/fleet.sqlite", check_version=False)
    upgrade_store(opened)
    yield opened
    opened.close()


@pytest.fixture
def settings(request: pytest.FixtureRequest, port: int) -> Settings:
    """A root of its own for every test, so that brokers can be shared."""
    root = f"t{abs(hash(request.node.nodeid)) % 10**9}"
    broker = Broker(url=f"mqtt://127.0.0.1:{port}", root=root, client_id=f"ingest-{root}", session_expiry_s=3600)
    return Settings(broker=broker, ingest=Ingest(linger_s=0.05))
