"""Harrow Flats: 48 creek-level nodes on five creeks of a restored saltmarsh, 26 weeks. An invented place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path

from fleet.demo.creek import Creek, Storm, rng_of
from fleet.demo.polls import Ripple
from fleet.demo.spec import Fault, FaultKind, NodeSpec
from fleet.errors import SetupError
from fleet.messages import BandSettings
from fleet.profiles.load import load_profiles
from fleet.profiles.profile import Profile
from fleet.units import D_PER_WEEK

WEEKS = 26
SEED = 20_251_124
SINCE_AT = datetime(2025, 5, 26, tzinfo=UTC)
UNTIL_AT = SINCE_AT + timedelta(weeks=WEEKS)  # Monday 24 November 2025: fixed, so that outputs repeat
ROOT = "harrow"
NODE_COUNT = 48
ALKALINE, COLD, PACK = "creek-level-2", "creek-level-cold", "creek-level-pack"
SEASON_D = WEEKS * D_PER_WEEK

CREEKS = (
    Creek(name="Harrow Mouth", latitude=53.101, longitude=0.312),
    Creek(name="Sedge Cut", latitude=53.108, longitude=0.325, phase_deg=6.0, gateway_down_d=((61.2, 63.6),)),
    Creek(
        name="Long Reach",
        latitude=53.113,
        longitude=0.341,
        phase_deg=11.0,
        storms=(Storm(onset_d=158.0, length_d=4.0, height_v=0.4),),
    ),
    Creek(name="Heron Pill", latitude=53.119, longitude=0.352, phase_deg=15.0, m2_v=0.34),
    Creek(name="Old Sluice", latitude=53.126, longitude=0.338, phase_deg=21.0, m2_v=0.33, temp_mean_c=9.0),
)

FAULTS: Mapping[int, tuple[Fault, ...]] = {
    4: (Fault(kind=FaultKind.EDGE_CHATTER, onset_d=146.0, size=2.4),),
    15: (Fault(kind=FaultKind.EDGE_CHATTER, onset_d=152.0, size=2.6),),
    33: (Fault(kind=FaultKind.EDGE_CHATTER, onset_d=139.0, size=2.7),),
    9: (Fault(kind=FaultKind.SLEEP_LEAK, onset_d=128.0, size=140.0),),
    27: (Fault(kind=FaultKind.SLEEP_LEAK, onset_d=150.0, size=90.0),),
    12: (Fault(kind=FaultKind.FLOATING_PIN, onset_d=160.0, size=20.0),),
    18: (Fault(kind=FaultKind.WEAK_CELL, size=0.5),),
    7: (Fault(kind=FaultKind.RADIO_STRUGGLE, onset_d=140.0, size=3.0),),
    22: (Fault(kind=FaultKind.RADIO_STRUGGLE, onset_d=155.0, size=2.6),),
    41: (Fault(kind=FaultKind.COLD_SITE, size=-5.0),),
    30: (Fault(kind=FaultKind.LOST_LINK, onset_d=171.0),),
    2: (Fault(kind=FaultKind.DEAD_BATTERY, onset_d=145.0),),
    36: (Fault(kind=FaultKind.SWAP_UNTOLD, onset_d=112.0),),
    20: (Fault(kind=FaultKind.SWAP_TOLD, onset_d=98.0),),
    44: (Fault(kind=FaultKind.CLOCK_DRIFT, onset_d=60.0, size=120.0),),
    25: (Fault(kind=FaultKind.STUCK_READING, onset_d=157.0),),
    38: (Fault(kind=FaultKind.CRASH_LOOP, onset_d=166.0, size=7.0),),
    47: (Fault(kind=FaultKind.RECORDS_MISSING, onset_d=150.0, size=0.3),),
}
"""By number of the node, from 1. All others are healthy."""

RETUNED = (4, 15, 33)
"""The nodes that the demo retunes: a threshold inside the wave noise."""


def node_name(number: int) -> str:
    """Name of a node by its number.

    >>> node_name(7)
    'hf07'
    """
    return f"hf{number:02d}"


@cache
def profiles() -> Mapping[str, Profile]:
    """The three invented kinds of node.

    Raises
    ------
    SetupError
        If a profile of the package is damaged.
    """
    with as_file(files("demo_data").joinpath("harrow_flats", "profiles")) as folder:
        found, errors = load_profiles(Path(folder))
    if errors or not found:
        raise SetupError(f"demo_data: {errors[0] if errors else 'no profile found'}. Install the package again.")
    return found


def node_specs(count: int = NODE_COUNT, *, seed: int = SEED) -> list[NodeSpec]:
    """The nodes of Harrow Flats, in order of their numbers."""
    return [_spec(number, seed) for number in range(1, count + 1)]


def _spec(number: int, seed: int) -> NodeSpec:
    rng = rng_of(seed, "spec", number)
    creek = CREEKS[(number - 1) * len(CREEKS) // NODE_COUNT]
    kind = COLD if creek.name == "Old Sluice" else (PACK if number % 6 == 5 else ALKALINE)
    faults = FAULTS.get(number, ())
    settings = BandSettings(
        lo=0.70,
        hi=round(float(rng.uniform(1.56, 1.66)), 2),
        hyst=0.04 if number not in RETUNED else 0.0,
        sleep_s=3600.0 if kind == ALKALINE else 5400.0,
        period_ms=100.0,
        avg=8,
    )
    spec = NodeSpec(
        node=node_name(number),
        profile=profiles()[kind],
        creek=creek,
        settings=settings,
        faults=faults,
        sill_v=round(float(rng.uniform(0.82, 0.92)), 3),
        gain=round(float(rng.uniform(0.94, 1.04)), 3),
        ripple=Ripple(wave_sd=round(float(rng.uniform(0.005, 0.01)), 4)),
        loss_frac=round(float(rng.choice([0.005, 0.01, 0.02, 0.05])), 3),
        buffer_count=16 if number % 3 == 0 else 0,
        rssi_dbm=round(float(rng.normal(-72, 5))),
        fitted_before_d=round(float(rng.uniform(20, 210)), 1),
        hist_every_count=24 if number % 2 == 0 else 0,
    )
    return replace(spec, fitted_before_d=40.0) if faults else spec
