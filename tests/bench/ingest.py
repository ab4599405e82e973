"""The ingest path against its floors, interleaved in one run: `python tests/bench/ingest.py [MESSAGES] [ROUNDS]`.

About 205-byte records of 2,000 nodes, arrival interleaved over all nodes, through Mosquitto on loopback. Wall rates
swing on a shared machine; the ratios within a round and the CPU column are what to look at.
live: publisher, broker and client at once. drain: all messages wait in the broker, then the client comes.
"""

from __future__ import annotations

import os
import resource
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.ingest.brokers import free_port, start_mosquitto

NODES = 2000

CLIENT = r"""
import os, sys, threading, time, resource
kind, port, count, folder = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
if kind in ("paho", "fast"):
    from fleet.settings import Broker
    from ingest.broker import Link
    link = Link(Broker(url=f"mqtt://127.0.0.1:{port}", root="m", client_id=kind), ["m/+/wake"], window_count=20000,
                fast=kind == "fast", watch_dropped=False)
    if kind == "paho":  # stock: acknowledges every message by itself, as its documentation shows it
        link._client.manual_ack_set(False)
    print("ready", flush=True) if sys.argv[5] == "drain" else None
    seen, first, cpu = 0, None, 0.0
    told = sys.argv[5] == "drain"
    while seen < count:
        got = link.poll(0.05)
        if link.ready and not told:
            print("ready", flush=True); told = True
        if got:
            if first is None: first, cpu = time.monotonic(), time.process_time()
            seen += len(got)
            if kind == "fast": link.acknowledge(got)
    took, used = time.monotonic() - first, time.process_time() - cpu
    link.close()
else:
    from fleet.settings import Broker, Ingest, Settings
    from fleet.store.engine import open_store
    from fleet.store.upgrade import upgrade_store
    from ingest.listen import Listener
    settings = Settings(broker=Broker(url=f"mqtt://127.0.0.1:{port}", root="m", client_id=kind),
                        ingest=Ingest(batch=5000, linger_s=0.25, receipts=False))
    store = open_store(f"sqlite:///{folder}/{kind}-{time.monotonic_ns()}.sqlite", check_version=False)
    upgrade_store(store)
    stop = threading.Event()
    listener = Listener(store, settings, banded={f"node{n:04d}": "level_v" for n in range(2000)}, watch_dropped=False)
    mark = {}
    def turn(tally):
        if tally.received_count and "t" not in mark:
            mark["t"], mark["c"] = time.monotonic(), time.process_time()
        if tally.stored_count >= count:
            stop.set()
            mark.setdefault("e", time.monotonic()); mark.setdefault("u", time.process_time())
    if sys.argv[5] == "drain": print("ready", flush=True)
    listener.run(stop, on_ready=lambda: print("ready", flush=True) if sys.argv[5] != "drain" else None, on_turn=turn)
    took, used = mark["e"] - mark["t"], mark["u"] - mark["c"]
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(count / took, used / count * 1e6, peak, flush=True)
"""


def payload(number: int) -> bytes:
    node, seq = number % NODES, number // NODES
    t = 1.764e9 + seq * 900 + node * 0.4
    return (
        b'{"boot":12,"seq":%d,"cause":"timer","t":%.2f,"up_s":%.1f,"late_s":0.5,"reading":{"level_v":1.2345},'
        b'"batt_mv":2950,"awake_ms":1500,"radio_ms":900,"tries":1,"rssi_dbm":-71,"temp_c":11.5,"runs":9000}'
        % (seq, t, seq * 900.0)
    )


def packets(count: int) -> list[bytes]:
    """QoS 1 PUBLISH packets, MQTT 3.1.1."""
    made = []
    for number in range(count):
        topic = b"m/node%04d/wake" % (number % NODES)
        body = len(topic).to_bytes(2, "big") + topic + (number % 65535 + 1).to_bytes(2, "big") + payload(number)
        made.append(b"\x32" + bytes([len(body) % 128 | 128, len(body) // 128]) + body)
    return made


def send_all(port: int, stream: list[bytes]) -> None:
    """Publish at full rate on a bare socket, at most 2,000 unacknowledged, so that the publisher is no bottleneck."""
    with socket.create_connection(("127.0.0.1", port)) as sock:
        name = b"pub"
        sock.sendall(b"\x10" + bytes([12 + len(name)]) + b"\x00\x04MQTT\x04\x02\x00\x3c\x00\x03" + name)
        sock.recv(4)
        acked = 0
        for at in range(0, len(stream), 500):
            sock.sendall(b"".join(stream[at : at + 500]))
            while at + 500 - acked // 4 > 2000:
                acked += len(sock.recv(65536))
        while acked // 4 < len(stream):
            acked += len(sock.recv(65536))
        sock.sendall(b"\xe0\x00")


def subscribe_session(port: int, client_id: str) -> None:
    """Leave a persistent session behind, for the drain."""
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-V", "5", "-i", client_id, "-q", "1", "-c", "-E"]
    subprocess.run([*command, "-x", "3600", "-t", "m/+/wake"], check=True, timeout=20)


def run_python(kind: str, mode: str, port: int, stream: list[bytes], folder: str) -> tuple[float, float, float]:
    if mode == "drain":
        subscribe_session(port, kind)
        send_all(port, stream)
    command = [sys.executable, "-c", CLIENT, kind, str(port), str(len(stream)), folder, mode]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as client:
        assert client.stdout is not None
        client.stdout.readline()
        if mode == "live":
            send_all(port, stream)
        rate, cpu_us, peak_mib = map(float, client.stdout.readline().split())
    return rate, cpu_us, peak_mib


def run_c(port: int, stream: list[bytes]) -> tuple[float, float, float]:
    """The C client that only counts: mosquitto_sub, output to nowhere."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", "m/+/wake", "-C", str(len(stream))]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as client:
        time.sleep(0.5)
        begun = time.monotonic()
        send_all(port, stream)
        client.wait()
        took = time.monotonic() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return len(stream) / took, used / len(stream) * 1e6, 0.0


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    stream = packets(count)
    print(f"{count} records of {len(payload(7))} bytes, packets of {len(stream[7])}; {rounds} rounds")
    seen: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    cases = [
        ("paho", "live"),
        ("C", "live"),
        ("store", "live"),
        ("fast", "live"),
        ("paho", "drain"),
        ("store", "drain"),
    ]
    for _ in range(rounds):
        for kind, mode in cases:
            folder = Path(tempfile.mkdtemp())
            port = free_port()
            broker = start_mosquitto(folder, port)
            try:
                got = run_c(port, stream) if kind == "C" else run_python(kind, mode, port, stream, str(folder))
                seen.setdefault((kind, mode), []).append(got)
            finally:
                broker.kill()
                broker.wait()
                shutil.rmtree(folder, ignore_errors=True)
            print(f"  {kind:6} {mode:6} {got[0]:10,.0f}/s  {got[1]:6.2f} µs CPU  {got[2]:5.0f} MiB", flush=True)
    middle = {key: [statistics.median(column) for column in zip(*got, strict=True)] for key, got in seen.items()}
    for key, (rate, cpu_us, peak) in middle.items():
        print(f"median {key[0]:6} {key[1]:6} {rate:10,.0f}/s  {cpu_us:6.2f} µs CPU  {peak:5.0f} MiB")
    for name, over, under, goal in [
        ("committed ÷ stock paho counting, live", ("store", "live"), ("paho", "live"), 2.0),
        ("committed ÷ stock paho counting, drain", ("store", "drain"), ("paho", "drain"), 3.5),
        ("committed ÷ C client counting, live", ("store", "live"), ("C", "live"), 1.0),
    ]:
        ratios = [a[0] / b[0] for a, b in zip(seen[over], seen[under], strict=True)]
        print(f"{name}: {statistics.median(ratios):.2f} ({min(ratios):.2f}–{max(ratios):.2f}), goal ≥ {goal}")
    print(f"load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
