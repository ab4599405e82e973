"""A message as the broker link hands it on."""

from __future__ import annotations

from typing import NamedTuple


class Arrival(NamedTuple):
    """One PUBLISH received. `packet_id` is 0 at QoS 0; `session` tells on which connection it came.

    `origin` is file and line for what was read from a file.
    """

    topic: str
    payload: bytes
    at: float
    packet_id: int
    session: int
    origin: str | None = None
