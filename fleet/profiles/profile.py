"""One kind of node: currents as the battery delivers them, its cells, its limits. Written in TOML (set-up contract)."""

from __future__ import annotations

import msgspec


class Figure(msgspec.Struct, frozen=True):
    """A figure with its spread; `sd` 0 where the spread is not known."""

    mean: float
    sd: float = 0.0


class Sleep(msgspec.Struct, frozen=True, kw_only=True):
    """Whole board asleep, coprocessor resting; `q10` is the factor of its current for 10 K, 1 where not known."""

    current_ua: Figure
    q10: Figure = Figure(1.0)
    source: str = ""


class Coprocessor(msgspec.Struct, frozen=True, kw_only=True):
    """The small processor that runs while the main one sleeps."""

    run_ma: Figure
    run_us: Figure
    period_ms: float = 100.0
    rearm: str = "edge"
    holdoff_s: float | None = None
    source: str = ""


class Wake(msgspec.Struct, frozen=True, kw_only=True):
    """Main processor awake, radio off."""

    current_ma: Figure
    length_ms: Figure
    source: str = ""


class Radio(msgspec.Struct, frozen=True, kw_only=True):
    """Whole current while the radio is on."""

    current_ma: Figure
    length_ms: Figure
    source: str = ""


class CauseDiffers(msgspec.Struct, frozen=True, kw_only=True):
    """What differs for one wake cause."""

    current_ma: Figure | None = None
    length_ms: Figure | None = None
    radio: bool = True
    source: str = ""


class Battery(msgspec.Struct, frozen=True, kw_only=True):
    """The pack fitted. Capacity is per cell; cut-off is of the pack under radio load."""

    chemistry: str
    capacity_mah: Figure
    cutoff_mv: float
    series: int = 1
    parallel: int = 1
    resistance_mohm: Figure | None = None
    source: str = ""


class Measure(msgspec.Struct, frozen=True, kw_only=True):
    """The node's own battery measurement."""

    gain_sd: float = 0.02
    step_mv: float = 4.0
    source: str = ""


class Banded(msgspec.Struct, frozen=True, kw_only=True):
    """The reading that the coprocessor compares."""

    reading: str
    event_s: float | None = None
    late_s: float | None = None
    source: str = ""


class Limits(msgspec.Struct, frozen=True, kw_only=True):
    """No order leaves outside these; pairs are lowest and highest."""

    lo: tuple[float, float] | None = None
    hi: tuple[float, float] | None = None
    gap_min: float | None = None
    hyst: tuple[float, float] | None = None
    sleep_s: tuple[float, float] | None = None
    period_ms: tuple[float, float] | None = None
    avg: tuple[int, int] | None = None
    silence_s: float | None = None
    alarm: tuple[float, float] | None = None
    source: str = ""


class OrderRules(msgspec.Struct, frozen=True, kw_only=True):
    """Whether orders are signed and whether the firmware can try settings."""

    signed: bool = True
    trial: bool = True
    source: str = ""


class Profile(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of node."""

    profile: str
    sleep: Sleep
    wake: Wake
    battery: Battery
    coprocessor: Coprocessor | None = None
    radio: Radio | None = None
    cause: dict[str, CauseDiffers] = {}
    measure: Measure = Measure()
    banded: Banded | None = None
    limits: Limits = Limits()
    orders: OrderRules = OrderRules()
