"""The player against a real broker on loopback: messages out, an order in, the settings shown in force."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import paho.mqtt.client as paho
import pytest

from fleet.demo.bulk import host_and_port
from fleet.demo.embedded import embedded_broker
from fleet.demo.live import live_on
from fleet.demo.play import OrderBox, Pace, continue_with_orders, play, publish
from fleet.demo.prepare import Prepared, prepare
from fleet.demo.scenario import RETUNED, node_name
from fleet.demo.wire_out import flash_word
from fleet.errors import BrokerError
from fleet.messages import BandSettings, WakeRecord
from fleet.profiles.load import load_profiles
from fleet.profiles.nodes import read_nodes, read_visits
from fleet.wire_order import OrderKind, RetuneOrder, seal

NODE = node_name(RETUNED[0])
SETTINGS = BandSettings(lo=0.66, hi=1.6, hyst=0.05, sleep_s=3600.0, period_ms=100.0, avg=8)
TRIAL_WAKES = 6


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with embedded_broker() as found:
        yield found


@pytest.fixture
def flats(tmp_path: Path, url: str) -> Prepared:
    return prepare(tmp_path, url=url, root=f"harrow/{tmp_path.name}")


class Ear:
    """Hears what the tool would hear, and answers a trial with *keep* if told so."""

    def __init__(self, url: str, made: Prepared, *, keeps: bool = False) -> None:
        self.made, self.keeps = made, keeps
        self.heard: list[tuple[str, object]] = []
        self.at: list[str] = []
        self.more = threading.Condition()
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=made.root[-20:], protocol=paho.MQTTv5)
        ready = threading.Event()
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._on_message
        self.client.connect(*host_and_port(url), keepalive=30)
        self.client.subscribe([(f"{made.root}/+/wake", 1), (f"{made.root}/+/answer", 1)])
        self.client.loop_start()
        assert ready.wait(10)

    def send(self, kind: OrderKind, **content: object) -> None:
        """Publish a sealed order, retained, as the tool would."""
        key, topic = self.made.keys[NODE], f"{self.made.root}/{NODE}/retune"
        word = bytes.fromhex(flash_word(self.made.flats.seed, NODE))
        until = int(self.made.flats.at_s + 7 * 86_400)
        order = RetuneOrder(kind=kind, rev=1, word=word, issued=int(self.made.flats.at_s), until=until, **content)  # type: ignore[arg-type]  # content varies
        self.client.publish(topic, seal(order, key=key.key, key_id=key.key_id, topic=topic), qos=1, retain=True)

    def settings(self) -> list[BandSettings]:
        """Settings the ordered node reported, in order."""
        found = [value for topic, value in self.heard if topic.endswith(f"{NODE}/wake")]
        records = [r for value in found for r in (value if isinstance(value, list) else [value])]
        return [msgspec.convert(record["set"], BandSettings) for record in records]

    def answers(self) -> list[object]:
        """Answers heard."""
        return [value for topic, value in self.heard if topic.endswith("/answer")]

    def wait(self, count: int) -> None:
        """Wait for so many messages."""
        with self.more:
            assert self.more.wait_for(lambda: len(self.heard) >= count, 20)

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()

    def _on_message(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        with self.more:
            self.at.append(dict(message.properties.UserProperty)["at"])  # type: ignore[union-attr]  # always set here
            self.heard.append((message.topic, msgspec.json.decode(message.payload)))
            self.more.notify_all()
        if self.keeps and sum(settings.trial for settings in self.settings()) == 3:
            self.keeps = False
            self.send(OrderKind.KEEP)


def test_the_set_up_it_writes_is_read_without_an_error(flats: Prepared) -> None:
    profiles, errors = load_profiles(flats.folder / "profiles")
    nodes, node_errors = read_nodes(flats.folder / "nodes.csv", profiles)
    visits, visit_errors = read_visits(flats.folder / "visits.csv", nodes)
    assert (len(nodes), errors, node_errors, visit_errors) == (48, [], [], [])
    assert (visits["what"] == "swap").sum() == 1


def test_key_files_are_for_their_owner_alone(flats: Prepared) -> None:
    modes = {path.stat().st_mode & 0o777 for path in (flats.folder / "keys").iterdir()}
    assert modes == {0o600}


def test_every_message_crosses_the_broker_with_its_time(flats: Prepared, url: str) -> None:
    ear = Ear(url, flats)
    *_, last = play(flats.flats, url, flats.root, weeks=1 / 7)
    ear.wait(last.messages_count)
    ear.close()
    assert float(max(ear.at, key=float)) == pytest.approx(last.at_s, abs=0.001)
    for topic, value in ear.heard:
        for record in value if isinstance(value, list) else [value]:
            assert topic.endswith("/wake")
            msgspec.convert(record, WakeRecord)


@pytest.mark.parametrize(("keeps", "shown"), [(True, (1, 1, False)), (False, (0, 1, False))])
def test_an_order_is_taken_tried_and_kept_or_given_up(
    flats: Prepared, url: str, keeps: bool, shown: tuple[int, int, bool]
) -> None:
    ear = Ear(url, flats, keeps=keeps)
    list(play(flats.flats, url, flats.root, weeks=1 / 7))
    with OrderBox(url, flats.root) as box:
        ear.send(OrderKind.SETTINGS, settings=SETTINGS, trial_wakes=TRIAL_WAKES, until_wake=10**6)
        assert box.wait_for([NODE], 10)
        pieces = list(
            continue_with_orders(
                flats.flats, url, flats.root, box=box, keys=flats.keys, days=2, keep_wait_s=5.0 if keeps else 0.2
            )
        )
    ear.wait(pieces[-1].messages_count)
    ear.close()
    assert ear.answers() == [{"rev": 1, "answer": "taken"}]
    assert sum(settings.trial for settings in ear.settings()) <= TRIAL_WAKES
    last = ear.settings()[-1]
    assert (last.rev, last.seen, last.trial) == shown


def test_a_forged_order_is_refused_and_changes_nothing(flats: Prepared, url: str) -> None:
    ear = Ear(url, flats)
    with OrderBox(url, flats.root) as box:
        ear.client.publish(f"{flats.root}/{NODE}/retune", b"\xd1\x84forged", qos=1, retain=True)
        assert box.wait_for([NODE], 10)
        list(continue_with_orders(flats.flats, url, flats.root, box=box, keys=flats.keys, days=1))
    ear.wait(48 * 15)
    ear.close()
    assert [answer["answer"] for answer in ear.answers()] == ["refused"]  # type: ignore[index]  # decoded JSON
    assert {settings.rev for settings in ear.settings()} == {0}


def test_the_player_waits_for_the_store(flats: Prepared, url: str) -> None:
    stored = [0]
    pace = Pace(stored=lambda: stored[0])
    pace.sent_count = 40_000
    threading.Timer(0.3, lambda: stored.__setitem__(0, 40_000)).start()
    pace.wait(0.0, 0.0, 0.0)
    assert stored[0] == 40_000


def test_playing_on_stops_when_told(flats: Prepared, url: str) -> None:
    pace = Pace()
    for _ in live_on(
        flats.flats, url, flats.root, speed_up=86_400.0 * 10, end_s=flats.flats.at_s + 2 * 86_400, pace=pace
    ):
        pace.stop.set()
    assert 0 < pace.sent_count < 48 * 24


def test_a_node_takes_an_order_while_one_watches(flats: Prepared, url: str) -> None:
    ear = Ear(url, flats, keeps=True)
    with OrderBox(url, flats.root) as box:
        ear.send(OrderKind.SETTINGS, settings=SETTINGS, trial_wakes=TRIAL_WAKES, until_wake=10**6)
        assert box.wait_for([NODE], 10)
        until_s = flats.flats.at_s + 14 * 3600
        list(live_on(flats.flats, url, flats.root, speed_up=18_000.0, end_s=until_s, box=box, keys=flats.keys))
    ear.wait(48 * 9)
    ear.close()
    assert ear.answers() == [{"rev": 1, "answer": "taken"}]
    assert (ear.settings()[-1].rev, ear.settings()[-1].trial) == (1, False)


def test_no_broker_is_said_in_one_line() -> None:
    with pytest.raises(BrokerError, match="no broker at"):
        list(publish([(0.0, "a/b/wake", b"{}")], "mqtt://127.0.0.1:1", Pace()))
