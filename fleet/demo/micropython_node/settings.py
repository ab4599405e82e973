"""Settings in two slots: the last kept ones and those on trial. An order is applied whole or not at all.

Writing order: highest number seen, then the free slot, then which slot is used. A power cut between any two of them
leaves the node on settings that were applied whole, and the number spent.
"""

import binascii
import hashlib

from .flash import Flash
from .order_reader import read_order

CLOCK_SET_S = 978_307_200  # 2001: a clock before that has not been set


class Settings:
    """The settings in force, and the moves that orders and wakes make."""

    def __init__(self, flash: Flash, factory: dict) -> None:  # type: ignore[type-arg]  # values of many kinds
        self.flash = flash
        self.seen = (flash.read("seen") or {"rev": 0})["rev"]
        self.turn = flash.read("turn") or {"use": 0, "kept": 0, "left": None}
        self.factory = {"set": factory, "rev": 0, "digest": ""}

    def now(self) -> dict:  # type: ignore[type-arg]  # values of many kinds
        """The slot in use: settings, `rev`, `digest`."""
        return self.flash.read("slot%d" % self.turn["use"]) or self.factory

    def told(self) -> dict:  # type: ignore[type-arg]  # values of many kinds
        """What goes into the record's `set`."""
        now = self.now()
        told = dict(now["set"])
        told.update({"rev": now["rev"], "seen": self.seen, "trial": self.turn["left"] is not None})
        if now["digest"]:
            told["digest"] = now["digest"]
        return told

    def woke(self, cause: str) -> None:
        """Count a wake of the trial; over, or reset by brown-out or watchdog: back to the last kept settings."""
        left = self.turn["left"]
        if left is None:
            return
        if left == 0 or cause in ("brownout", "watchdog"):
            self._turn(self.turn["kept"], self.turn["kept"], None)
        else:
            self._turn(self.turn["use"], self.turn["kept"], left - 1)

    def take(self, frame: bytes, key: tuple[bytes, bytes], topic: bytes, node: dict) -> tuple[int, str]:  # type: ignore[type-arg]  # values of many kinds
        """Take an order or say why not: its number (0 if it could not be read) and "" or the reason.

        `node` is {"word": bytes, "wakes": lifetime wakes, "t": clock}.
        """
        try:
            order = read_order(frame, key[0], key[1], topic)
        except ValueError as why:
            return 0, str(why)
        rev = order["rev"]
        if order["word"] != node["word"]:
            return rev, "made for another flash"
        if order["until_wake"] is not None and node["wakes"] > order["until_wake"]:
            return rev, "void: its wake limit has passed"
        if node["t"] > CLOCK_SET_S and node["t"] > order["until"]:
            return rev, "void: its time has passed"
        if order["kind"] == 2:
            return rev, self._keep(rev)
        if rev <= self.seen:
            return rev, "old number"
        self._apply(order, frame)
        return rev, ""

    def _apply(self, order: dict, frame: bytes) -> None:  # type: ignore[type-arg]  # values of many kinds
        self.seen = order["rev"]
        self.flash.write("seen", {"rev": self.seen})
        free = 1 - self.turn["kept"]  # another trial is overwritten, kept settings never
        digest = binascii.hexlify(hashlib.sha256(frame).digest()[:8]).decode()
        if self.turn["use"] == free:
            self._turn(self.turn["kept"], self.turn["kept"], None)  # never run a slot while it is written
        self.flash.write("slot%d" % free, {"set": order["set"], "rev": order["rev"], "digest": digest})
        left = order["trial_wakes"]
        self._turn(free, self.turn["kept"] if left else free, left or None)

    def _keep(self, rev: int) -> str:
        if self.turn["left"] is None or self.now()["rev"] != rev:
            return "nothing of this number is on trial"
        self._turn(self.turn["use"], self.turn["use"], None)
        return ""

    def _turn(self, use: int, kept: int, left: int | None) -> None:
        self.turn = {"use": use, "kept": kept, "left": left}
        self.flash.write("turn", self.turn)
