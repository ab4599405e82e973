"""The reference node takes an order, tries it, keeps it or goes back by itself; against a real broker."""

from __future__ import annotations

import shutil
import time

import pytest

from fleet.wire_order import OrderKind, digest_of

from .conftest import KEY, Bench


def test_an_order_is_tried_kept_and_told_with_its_digest(bench: Bench) -> None:
    """MQTT 5.0 [3.3.1-6], [3.8.4-4]: what is retained reaches a node that subscribes after it was published."""
    bench.wake("power_on")
    frame = bench.post(bench.order(1))
    bench.wake()
    told = bench.told()
    assert told | {"lo": 0.7, "rev": 1, "seen": 1, "trial": True, "digest": digest_of(frame)} == told
    bench.post(bench.order(1, kind=OrderKind.KEEP))
    bench.wake()
    told = bench.told()
    assert told | {"lo": 0.7, "rev": 1, "trial": False, "digest": digest_of(frame)} == told
    bench.wake("timer", "timer", "timer", "timer", "brownout")
    assert bench.told()["rev"] == 1


def test_without_a_keep_word_the_node_goes_back_by_itself(bench: Bench) -> None:
    """Undo needs no downlink: the topic is cleared, the trial of 3 wakes runs out."""
    bench.wake("power_on")
    bench.post(bench.order(1))
    bench.wake()
    bench.post(b"")
    bench.wake("timer", "timer", "timer")
    told = bench.told()
    assert told | {"lo": 0.8, "rev": 0, "seen": 1, "trial": False} == told


@pytest.mark.parametrize("cause", ["brownout", "watchdog"])
def test_a_reset_on_trial_goes_back_to_the_last_kept_settings(bench: Bench, cause: str) -> None:
    bench.wake("power_on")
    bench.post(bench.order(1))
    bench.wake()
    bench.wake(cause)
    assert bench.told()["rev"] == 0


@pytest.mark.slow
def test_a_trial_that_follows_a_trial_falls_back_to_the_kept_one(bench: Bench) -> None:
    bench.wake("power_on")
    bench.post(bench.order(1))
    bench.wake()
    bench.post(bench.order(2))
    bench.wake()
    assert bench.told()["rev"] == 2
    bench.wake("brownout")
    assert bench.told()["rev"] == 0


def test_a_forged_order_is_refused(bench: Bench) -> None:
    bench.wake("power_on")
    bench.post(bench.order(1), key=bytes([1]) + KEY[1:])
    bench.wake()
    assert bench.told()["seen"] == 0
    assert bench.answers()[0]["answer"] == "refused"


def test_a_replayed_order_is_refused(bench: Bench) -> None:
    """RFC 9124 section 4.3.1: the number must rise."""
    bench.wake("power_on")
    first = bench.post(bench.order(1, trial_wakes=None))
    bench.wake()
    bench.post(bench.order(2, trial_wakes=None))
    bench.wake()
    bench.post(first)
    bench.wake()
    told = bench.told()
    assert (told["rev"], told["seen"]) == (2, 2)
    assert bench.answers()[-1]["why"] == "old number"


@pytest.mark.parametrize("changed", [{"until": int(time.time()) - 5}, {"until_wake": 1}])
def test_a_late_order_is_void(bench: Bench, changed: dict[str, int]) -> None:
    """RFC 9124 section 4.3.3: by the node's clock and by its own count of wakes."""
    bench.wake("power_on")
    bench.post(bench.order(1, **changed))
    bench.wake()
    assert bench.told()["seen"] == 0


def test_an_order_from_before_the_flash_was_wiped_is_refused(bench: Bench) -> None:
    bench.wake("power_on")
    bench.post(bench.order(5))
    shutil.rmtree(bench.folder)
    bench.folder.mkdir()
    bench.wake("power_on")
    assert bench.told() | {"rev": 0, "seen": 0} == bench.told()
    assert {answer["why"] for answer in bench.answers()} == {"made for another flash"}
    bench.post(bench.order(6))
    bench.wake()
    assert bench.told()["rev"] == 6


@pytest.mark.parametrize(("killed_after", "rev", "seen"), [("seen", 0, 1), ("slot1", 0, 1), ("turn", 1, 1)])
def test_power_lost_between_two_writes_leaves_whole_settings(
    bench: Bench, killed_after: str, rev: int, seen: int
) -> None:
    """The number is spent first; the old settings stay whole until the new ones are whole."""
    bench.wake("power_on")
    bench.post(bench.order(1))
    assert bench.call("timer", die_after=killed_after).returncode == 9
    told = bench.told()
    assert (told["rev"], told["seen"]) == (rev, seen)
    assert told["lo"] == (0.7 if rev else 0.8)


def test_a_torn_slot_is_not_used(bench: Bench) -> None:
    bench.wake("power_on")
    bench.post(bench.order(1, trial_wakes=None))
    bench.wake()
    (bench.folder / "slot1").write_bytes(b"00000000{}")
    assert bench.told()["lo"] == 0.8
