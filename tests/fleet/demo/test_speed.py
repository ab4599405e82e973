"""Timings of the demo against its named floors."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from fleet.demo.bulk import BulkPublisher
from fleet.demo.embedded import embedded_broker
from fleet.demo.prepare import prepare
from fleet.demo.scenario import UNTIL_AT

SIMULATED_LIMIT_S = 15.0  # CPU, 48 nodes × 26 weeks
PUBLISHED_PER_S = 15_000.0


@pytest.mark.bench
def test_half_a_year_of_48_nodes_is_simulated_in_time(tmp_path: Path) -> None:
    flats = prepare(tmp_path).flats
    begun_s = time.process_time()
    lives = flats.advance(UNTIL_AT.timestamp())
    assert time.process_time() - begun_s < SIMULATED_LIMIT_S
    count = sum(len(tale.carrier) for life in lives for tale in life.tales)
    assert 150_000 < count < 250_000


@pytest.mark.bench
def test_messages_go_out_fast_enough() -> None:
    messages = [(float(n), f"harrow/hf{n % 48:02d}/wake", b"x" * 400) for n in range(60_000)]
    with embedded_broker() as url:
        begun_s = time.monotonic()
        with BulkPublisher(url) as publisher:
            publisher.send(messages)
        assert len(messages) / (time.monotonic() - begun_s) > PUBLISHED_PER_S
