"""One wake of a node: count it, keep its record, send what waits, take an order, sleep."""

import binascii
import gc
import json
import os
import time

from .flash import Flash, Ring
from .mqtt5 import Mqtt, MqttError
from .settings import CLOCK_SET_S, Settings

CHUNK_COUNT = 4
RECEIPT_WAIT_MS = 1500
ORDER_WAIT_MS = 200
FACTORY = {"lo": 0.8, "hi": 2.0, "hyst": 0.05, "sleep_s": 900, "period_ms": 100, "avg": 8}


class Node:
    """What the node is between two sleeps; everything that must survive is in flash."""

    def __init__(self, folder: str, names: dict, key: tuple[bytes, bytes], die_after: str = "") -> None:  # type: ignore[type-arg]  # values of many kinds
        self.flash = Flash(folder, die_after)
        self.names = names  # host, port, root, node
        self.key = key
        life = self.flash.read("life")
        self.fresh = life is None
        self.life = life or {"word": binascii.hexlify(os.urandom(8)).decode(), "boot": 0, "wakes": 0, "seq": 0}
        self.ring = Ring(folder, names.get("slots", 128))
        self.settings = Settings(self.flash, FACTORY)
        self.said: list[str] = []
        gc.collect()  # a small heap in one piece before the radio is on

    def wake(self, cause: str, more: dict, cold: bool = False) -> None:  # type: ignore[type-arg]  # values of many kinds
        """The whole of one wake. A broker out of reach costs nothing but the wait: the record stays in the ring."""
        cold = cold or self.fresh
        life = self.life
        life["boot"] += 1 if cold else 0
        life["seq"] = 1 if cold else life["seq"] + 1
        life["wakes"] += 1
        self.flash.write("life", life)
        self.settings.woke(cause)
        record = {"boot": life["boot"], "seq": life["seq"], "cause": cause, "set": self.settings.told()}
        record["life"] = {"word": life["word"], "wakes": life["wakes"]}
        if time.time() > CLOCK_SET_S:
            record["t"] = round(time.time(), 1)
        bare = json.dumps(record).encode()
        record.update(more)
        raw = json.dumps(record).encode()
        if len(raw) > self.ring.room_bytes:
            raw = bare  # the wake is told even where its readings have no room
        self.ring.put(life["wakes"], life["boot"], life["seq"], raw)
        try:
            self._talk()
        except MqttError as why:
            self.said.append("broker: " + str(why))

    def _topic(self, kind: str) -> bytes:
        return "/".join((self.names["root"], self.names["node"], kind)).encode()

    def _talk(self) -> None:
        link = Mqtt(self.names["host"], self.names["port"], self.names["node"].encode())
        link.connect(self.fresh)
        link.subscribe([self._topic("receipt"), self._topic("retune")])
        wait_ms = self.names.get("order_wait_ms", ORDER_WAIT_MS)
        self._listen(link, wait_ms)
        while True:
            waiting = self.ring.waiting(self.life["wakes"], CHUNK_COUNT)
            if not waiting:
                break
            code = link.publish(self._topic("wake"), b"[" + b",".join(waiting) + b"]")
            if code >= 128:
                raise MqttError("record refused: %d" % code)
            del waiting
            # The next chunk goes only when this one is stored: a receipt then never covers a record that was lost.
            if not self._listen(link, self.names.get("receipt_wait_ms", RECEIPT_WAIT_MS)):
                break
        self._listen(link, wait_ms)
        link.leave()

    def _listen(self, link: Mqtt, wait_ms: int) -> int:
        """Take what comes until nothing comes for so long, or records are receipted; how many were."""
        while True:
            message = link.receive(wait_ms)
            if message is None:
                return 0
            topic, payload = message
            if topic == self._topic("receipt"):
                done = self._receipt(payload)
                if done:
                    return done
            elif topic == self._topic("retune") and payload:
                self._order(link, payload)

    def _receipt(self, payload: bytes) -> int:
        try:
            told = json.loads(payload)
            return self.ring.receipted(int(told["boot"]), int(told["upto"]))
        except (ValueError, KeyError, TypeError):
            return 0

    def _order(self, link: Mqtt, frame: bytes) -> None:
        node = {"word": binascii.unhexlify(self.life["word"]), "wakes": self.life["wakes"], "t": time.time()}
        rev, why = self.settings.take(frame, self.key, self._topic("retune"), node)
        if why == "old number" and rev in (self.settings.now()["rev"], self.settings.seen):
            return  # it is the order that was taken, still retained: nothing to say
        answer = {"rev": rev, "answer": "refused" if why else "taken"}
        if why:
            answer["why"] = why
        self.said.append("order %d: %s" % (rev, why or "taken"))
        link.publish(self._topic("answer"), json.dumps(answer).encode())
