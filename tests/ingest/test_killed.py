"""The ingester killed at any moment, also between COMMIT and PUBACK: nothing lost, nothing doubled."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fleet.settings import Broker
from fleet.store.engine import open_store
from fleet.store.upgrade import upgrade_store
from tests.ingest.brokers import MOSQUITTO, free_port, start_mosquitto
from tests.ingest.test_listen import publisher

KILLS_COUNT = int(os.environ.get("KILLS", "40"))
RECORDS_COUNT = 30 * KILLS_COUNT
PER_S = 150
NODES_COUNT = 20

INGESTER = """
import os, sys, threading
from fleet.settings import Broker, Ingest, Settings
from fleet.store.engine import open_store
from fleet.store.records import Writer
from ingest.broker import Link
from ingest.listen import listen
url, database, die = sys.argv[1:]
if die == "between":  # COMMIT is done, PUBACK is not
    Link.acknowledge = lambda self, arrivals: os.kill(os.getpid(), 9)
settings = Settings(broker=Broker(url=url, root="m", client_id="ingest", session_expiry_s=3600),
                    ingest=Ingest(linger_s=0.02, batch=50))
with open_store(database) as store:
    listen(store, settings, stop=threading.Event(), on_ready=lambda: print("ready", flush=True))
"""


def settings_of(port: int) -> object:
    from fleet.settings import Settings

    return Settings(broker=Broker(url=f"mqtt://127.0.0.1:{port}", root="m", client_id="ingest"))


def start(port: int, database: str, die: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-c", INGESTER, f"mqtt://127.0.0.1:{port}", database, die]
    return subprocess.Popen(command, stdout=subprocess.PIPE)


def kill(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGKILL)
    process.wait(10)
    if process.stdout is not None:
        process.stdout.close()


@pytest.mark.slow
def test_killed_in_mid_stream_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """[MQTT-4.3.2-4]: acknowledged only what is committed, so the broker sends the rest again."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    port, rng = free_port(), random.Random(7)
    database = f"sqlite:///{tmp_path}/fleet.sqlite"
    with open_store(database, check_version=False) as store:
        upgrade_store(store)
    broker = start_mosquitto(tmp_path, port)
    kills, sent, process = 0, 0, start(port, database, "no")
    assert process.stdout is not None and process.stdout.readline() == b"ready\n"  # the session is there
    try:
        with publisher(settings_of(port)) as client:  # type: ignore[arg-type]  # Settings
            while kills < KILLS_COUNT:
                until = time.monotonic() + rng.uniform(0.02, 0.25)
                while time.monotonic() < until and sent < RECORDS_COUNT:
                    payload = b'{"boot":1,"seq":%d,"cause":"timer","batt_mv":%d}' % (sent // NODES_COUNT, sent)
                    client.publish(f"m/n{sent % NODES_COUNT}/wake", payload, qos=1)
                    sent += 1
                    time.sleep(1 / PER_S)
                time.sleep(max(0.0, until - time.monotonic()))
                kill(process)
                kills += 1
                process = start(port, database, "between" if kills % 3 == 0 else "no")
                if process.stdout is not None:
                    process.stdout.readline()
            kill(process)
            process = start(port, database, "no")
            stored = 0
            for _ in range(400):
                with open_store(database, readonly=True) as store, store.read() as conn:
                    stored = conn.exec_driver_sql("SELECT count(*) FROM wakes").scalar_one()
                if stored >= sent:
                    break
                time.sleep(0.05)
    finally:
        kill(process)
        broker.terminate()
        broker.wait(10)
    with open_store(database, readonly=True) as store, store.read() as conn:
        names = conn.exec_driver_sql("SELECT count(DISTINCT batt_mv) FROM wakes").scalar_one()
    print(f"{kills} kills, {sent} records sent, {names} stored, {stored - names} double")  # noqa: T201  # the figure
    assert (names, stored) == (sent, sent)
