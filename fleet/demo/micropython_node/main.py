"""Runs wakes of the node on a computer: `micropython -X heapsize=64k -m micropython_node.main < call.json`.

On a board this file is where the sensor, the coprocessor and deep sleep are. Here the readings come with the call.
"""

import binascii
import json
import sys

from .band import Band
from .node import Node


def run(call: dict) -> dict:  # type: ignore[type-arg]  # values of many kinds
    """Live through the causes given, or through readings that the band looks at; what the node said."""
    key = (binascii.unhexlify(call["key"]), call["key_id"].encode())
    said: list[str] = []
    node = None
    for cause, more in causes(call):
        # Deep sleep forgets everything but flash: each wake starts from there.
        node = Node(call["folder"], call, key, call.get("die_after", ""))
        node.wake(cause, more, cold=cause == "power_on")
        said = (said + node.said)[-9:]
    waiting = node.ring.waiting_count() if node else 0
    return {"said": said, "waiting": waiting, "life": node.life if node else None}


def causes(call: dict) -> list:  # type: ignore[type-arg]  # values of many kinds
    """Cause and further fields of each wake."""
    if "causes" in call:
        return [(cause, {"batt_mv": 2900, "batt_tx_mv": 2780}) for cause in call["causes"]]
    band, found = Band(*call["band"]), []
    for reading in call["readings"]:
        cause = band.run([reading])
        if cause:
            found.append((cause, {"reading": {"level_v": reading}, "asleep": band.asleep(), "batt_mv": 2900}))
            outside, band = band.outside, Band(*call["band"])
            band.outside = outside
    return found


if __name__ == "__main__":
    print(json.dumps(run(json.loads(sys.stdin.read()))))
