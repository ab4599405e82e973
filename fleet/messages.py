"""The typed border: what a node says and what the tool says back. Ranges are checked here, once.

A wake record refuses unknown keys here so that `fleet.wire` notices them, peels them off and keeps them beside it.
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from msgspec import Meta

Counter = Annotated[int, Meta(ge=0, le=2**32 - 1)]
Millivolt = Annotated[int, Meta(ge=0, le=100_000)] | Annotated[float, Meta(ge=0, le=100_000)]
NonNegative = Annotated[float, Meta(ge=0)]


class Histogram(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Counts of the banded reading: below `lo` in the first bin, above the last edge in the last."""

    lo: float
    step: Annotated[float, Meta(gt=0)]
    n: list[Annotated[int, Meta(ge=0)]]


class Asleep(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the coprocessor saw of the banded reading since the last wake."""

    n: Annotated[int, Meta(ge=0)] = 0
    min: float | None = None
    max: float | None = None
    mean: float | None = None
    sd: Annotated[float, Meta(ge=0)] | None = None
    hist: Histogram | None = None


class BandSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The settings a node runs; an order always carries all of them. `rev` 0 is from the factory."""

    lo: float | None = None
    hi: float | None = None
    hyst: float | None = None
    sleep_s: float | None = None
    period_ms: float | None = None
    avg: int | None = None
    rev: int = 0
    seen: int | None = None
    digest: str | None = None
    trial: bool = False


class Life(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What survives a cold start: a random word drawn when the flash was initialised, and the wakes since then."""

    word: Annotated[str, Meta(pattern="^[0-9a-fA-F]{16}$")] | None = None
    wakes: Annotated[int, Meta(ge=0)] | None = None


class WakeRecord(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One wake of the main processor. `awake_ms`, `radio_ms`, `tries`, `batt_tx_mv` describe the previous wake."""

    boot: Counter
    seq: Counter
    cause: str
    t: float | None = None
    up_s: NonNegative | None = None
    late_s: NonNegative | None = None
    reading: dict[str, float] | None = None
    batt_mv: Millivolt | None = None
    batt_tx_mv: Millivolt | None = None
    awake_ms: NonNegative | None = None
    radio_ms: NonNegative | None = None
    tries: Annotated[int, Meta(ge=0)] | None = None
    rssi_dbm: float | None = None
    temp_c: Annotated[float, Meta(ge=-273.15, le=1000)] | None = None
    runs: Annotated[int, Meta(ge=0)] | None = None
    asleep: Asleep | None = None
    set: BandSettings | None = None
    life: Life | None = None


class OrderAnswer(msgspec.Struct, frozen=True):
    """What a node did with an order: a courtesy, never the proof."""

    rev: Annotated[int, Meta(ge=0)]
    answer: Annotated[str, Meta(pattern="^(taken|refused)$")]
    why: str | None = None


class Receipt(msgspec.Struct, frozen=True):
    """Every record of `boot` up to and including `upto` that the tool got is stored."""

    boot: int
    upto: int


class Recorded(msgspec.Struct, frozen=True):
    """One line of a message recording."""

    at: float
    topic: str
    payload: Any
