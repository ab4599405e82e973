"""Brokers on loopback: Mosquitto where it is installed, and the embedded one; each with a persistent session for us."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet.settings import Broker, Ingest, Settings
from fleet.store.engine import Store, open_store
from fleet.store.upgrade import upgrade_store
from tests.ingest.brokers import EMBEDDED, MOSQUITTO, free_port, start_mosquitto


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
