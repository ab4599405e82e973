"""Records wait on the node until they are receipted, whatever the broker does."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from fleet.settings import Broker, Ingest, Settings
from fleet.store.engine import Store, open_store
from fleet.store.upgrade import upgrade_store
from ingest.listen import Listener

from .conftest import ROOT, Bench, OwnBroker, run_micropython


@contextmanager
def ledger(folder: Path, port: int) -> Iterator[Store]:
    """The real ingester, in a thread of its own."""
    store = open_store(f"sqlite:///{folder}/ledger.sqlite", check_version=False)
    upgrade_store(store)
    broker = Broker(url=f"mqtt://127.0.0.1:{port}", root=ROOT, client_id="ledger")
    listener = Listener(store, Settings(broker=broker, ingest=Ingest(linger_s=0.05)))
    stop, ready = threading.Event(), threading.Event()
    thread = threading.Thread(target=listener.run, args=(stop,), kwargs={"on_ready": ready.set})
    thread.start()
    try:
        assert ready.wait(10)
        yield store
    finally:
        stop.set()
        thread.join(10)
        store.close()


def stored(store: Store) -> list[tuple[int, int]]:
    with store.engine.connect() as conn:
        rows = conn.exec_driver_sql("SELECT boot, seq FROM wakes ORDER BY boot, seq")
        return [(int(boot), int(seq)) for boot, seq in rows]


@pytest.mark.slow
def test_a_day_of_records_is_sent_again_until_receipted(bench: Bench, broker: OwnBroker, tmp_path: Path) -> None:
    """96 wakes with nobody storing, and the broker acknowledging each of them; then the ledger comes up.

    MQTT 5.0 [4.3.2-4]: the acknowledgement passes ownership to the broker, and says nothing of storage.
    """
    bench.receipts = False
    broker.kill()
    assert bench.wake("power_on", *["timer"] * 93)["waiting"] == 94
    broker.start()
    assert bench.wake("timer")["waiting"] == 95  # acknowledged, not stored
    bench.receipts = True
    bench.client.unsubscribe(f"{ROOT}/+/wake")  # from here on the ledger alone sends receipts
    with ledger(tmp_path, broker.port) as store:
        assert bench.wake("timer")["waiting"] == 0
        assert stored(store) == [(1, seq) for seq in range(1, 97)]


@pytest.mark.slow
def test_a_killed_broker_costs_no_record(bench: Bench, broker: OwnBroker, tmp_path: Path) -> None:
    """The broker forgets everything twice; every record is stored once."""
    bench.receipts = False
    bench.wake("power_on", "timer")
    broker.kill()
    broker.start()
    bench.wake("timer", "band_low")
    broker.kill()
    bench.wake("timer")
    broker.start()
    bench.receipts = True
    bench.client.unsubscribe(f"{ROOT}/+/wake")  # from here on the ledger alone sends receipts
    with ledger(tmp_path, broker.port) as store:
        assert bench.wake("timer")["waiting"] == 0
        assert stored(store) == [(1, seq) for seq in range(1, 7)]


def test_a_full_ring_lets_the_oldest_go(tmp_path: Path) -> None:
    code = f"""
from micropython_node.flash import Ring
ring = Ring({str(tmp_path)!r}, 8)
for number in range(1, 13):
    ring.put(number, 1, number, b'{{"seq": %d}}' % number)
print(ring.waiting(12, 99), ring.receipted(1, 6), ring.waiting(12, 99), ring.receipted(2, 99))
"""
    kept = [b'{"seq": %d}' % number for number in range(5, 13)]
    assert run_micropython(code).strip() == f"{kept} 2 {kept[2:]} 0"


def test_the_band_wakes_once_at_a_crossing() -> None:
    """By hand: the reading must come back by `hyst` before the same edge wakes the node again."""
    code = """
from micropython_node.band import Band
band = Band(0.8, 2.0, 0.05)
print([band.run([value]) for value in (1.0, 2.1, 2.2, 1.97, 2.1, 1.9, 2.1, 0.7)])
"""
    assert run_micropython(code).strip() == "['', 'band_high', '', '', '', '', 'band_high', 'band_low']"
