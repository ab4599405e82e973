"""Small values in flash that survive a power cut: written beside, closed, renamed over; each with its CRC."""

import binascii
import json
import os


class Flash:
    """A folder of small values. `die_after` names a value after whose writing the node loses its power, for tests."""

    def __init__(self, folder: str, die_after: str = "") -> None:
        self.folder = folder
        self.die_after = die_after

    def read(self, name: str) -> dict | None:  # type: ignore[type-arg]  # values of many kinds
        """The value, or None if it is missing or its CRC does not fit."""
        try:
            with open(self.folder + "/" + name, "rb") as file:
                raw = file.read()
        except OSError:
            return None
        if len(raw) < 9 or raw[:8] != b"%08x" % binascii.crc32(raw[8:]):
            return None
        value: dict | None = json.loads(raw[8:])  # type: ignore[type-arg]  # values of many kinds
        return value

    def write(self, name: str, value: dict) -> None:  # type: ignore[type-arg]  # values of many kinds
        """Replace the value: old or new after a power cut, never half of each."""
        raw = json.dumps(value).encode()
        path = self.folder + "/" + name
        with open(path + ".new", "wb") as file:
            file.write(b"%08x" % binascii.crc32(raw) + raw)
        os.rename(path + ".new", path)
        if name == self.die_after:
            raise SystemExit(9)


class Ring:
    """Records not yet receipted, in one file of slots of equal size; the oldest is overwritten when it is full."""

    SLOT_BYTES = 768
    HEAD_BYTES = 20  # state 1, length 3, boot 8, seq 8: digits, so that a dump can be read

    def __init__(self, folder: str, slot_count: int) -> None:
        self.path = folder + "/ring"
        self.slot_count = slot_count
        self.room_bytes = self.SLOT_BYTES - self.HEAD_BYTES
        try:
            os.stat(self.path)
        except OSError:
            with open(self.path, "wb") as file:
                for _ in range(slot_count):
                    file.write(b" " * self.SLOT_BYTES)

    def put(self, number: int, boot: int, seq: int, record: bytes) -> None:
        """Keep the record of the `number`-th wake of this flash's life."""
        head = b"W%3d%8x%8x" % (len(record), boot, seq)
        with open(self.path, "r+b") as file:
            file.seek(number % self.slot_count * self.SLOT_BYTES)
            file.write(head + record)

    def waiting(self, number: int, most: int) -> list[bytes]:
        """The oldest records that wait for their receipt, at most so many; `number` is the newest wake."""
        found = []
        with open(self.path, "rb") as file:
            for one in range(max(0, number - self.slot_count + 1), number + 1):
                file.seek(one % self.slot_count * self.SLOT_BYTES)
                head = file.read(self.HEAD_BYTES)
                if head[:1] == b"W":
                    found.append(file.read(int(head[1:4])))
                    if len(found) == most:
                        break
        return found

    def waiting_count(self) -> int:
        """How many records wait for their receipt."""
        with open(self.path, "rb") as file:
            count = 0
            for slot in range(self.slot_count):
                file.seek(slot * self.SLOT_BYTES)
                count += file.read(1) == b"W"
        return count

    def receipted(self, boot: int, upto: int) -> int:
        """Let go of the records of this boot up to here; how many."""
        count = 0
        with open(self.path, "r+b") as file:
            for slot in range(self.slot_count):
                file.seek(slot * self.SLOT_BYTES)
                head = file.read(self.HEAD_BYTES)
                if head[:1] == b"W" and int(head[4:12], 16) == boot and int(head[12:20], 16) <= upto:
                    file.seek(slot * self.SLOT_BYTES)
                    file.write(b"D")
                    count += 1
        return count
