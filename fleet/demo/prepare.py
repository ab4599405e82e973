"""Writes the set-up of Harrow Flats: profiles, node list, visits, settings and one order key a node."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.resources import as_file, files
from pathlib import Path

from fleet.demo.flats import Flats, opened
from fleet.demo.scenario import ROOT, SEED, SINCE_AT, UNTIL_AT, WEEKS, node_specs
from fleet.demo.spec import FaultKind, NodeSpec
from fleet.demo.under_order import NodeKey
from fleet.store.keys import make_key
from fleet.units import D_PER_WEEK

FURTHER_WEEKS = 10  # how far the scenario can go on after the 26 weeks
ROUND_AT = UNTIL_AT + timedelta(days=39, hours=10)
VISITED_AT = SINCE_AT + timedelta(days=98, hours=-2)
NODE_COLUMNS = (
    "node", "site", "profile", "latitude", "longitude", "timezone", "fitted", "key_file",
    "lo", "hi", "hyst", "sleep_s", "period_ms", "avg", "note",
)  # fmt: skip
SETTINGS_TEXT = """# Harrow Flats, the demo. `wakeledger settings` shows every setting with its value.
database = "sqlite:///wakeledger.sqlite"
setup = "."
played = true  # the present of this deployment is its newest record, not today

[broker]
url = "{url}"
root = "{root}"

[orders]
keys = "keys"

[report]
title = "Harrow Flats: battery risk"
timezone = "Europe/London"
"""


@dataclass(frozen=True)
class Prepared:
    """The demo's folder, its nodes at the beginning, and the nodes' own copies of their keys."""

    folder: Path
    flats: Flats
    keys: Mapping[str, NodeKey]
    root: str


def prepare(folder: Path, *, url: str = "mqtt://127.0.0.1:1883", root: str = ROOT, seed: int = SEED) -> Prepared:
    """Write all set-up files into a folder, over what is there, and open the scenario."""
    specs = node_specs(seed=seed)
    days = int((WEEKS + FURTHER_WEEKS) * D_PER_WEEK)
    flats = opened(specs, since_s=SINCE_AT.timestamp(), days=days, seed=seed)
    folder.mkdir(parents=True, exist_ok=True)
    with as_file(files("demo_data").joinpath("harrow_flats", "profiles")) as source:
        shutil.copytree(source, folder / "profiles", dirs_exist_ok=True)
    (folder / "fleet.toml").write_text(SETTINGS_TEXT.format(url=url, root=root), encoding="utf-8")
    write_nodes(folder / "nodes.csv", flats)
    write_visits(folder / "visits.csv", flats)
    return Prepared(folder, flats, write_keys(folder / "keys", list(flats.specs)), root)


def write_nodes(path: Path, flats: Flats) -> None:
    """The node list."""
    rows = [_row(spec, flats.states[name].fitted_s) for name, spec in flats.specs.items()]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, NODE_COLUMNS)
        writer.writeheader()
        writer.writerows(rows)


def write_visits(path: Path, flats: Flats) -> None:
    """Visits planned after the 26 weeks, and the one swap that somebody told."""
    told = [
        (
            name,
            VISITED_AT if fault.onset_d == 98.0 else SINCE_AT + timedelta(days=fault.onset_d),
            "swap",
            "cells changed",
        )
        for name, spec in flats.specs.items()
        for fault in spec.faults
        if fault.kind is FaultKind.SWAP_TOLD
    ]
    planned = [(name, ROUND_AT, "visit", "planned: winter round") for name in flats.specs]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(("node", "at", "what", "note"))
        writer.writerows((name, _iso(at), what, note) for name, at, what, note in [*told, *planned])


def write_keys(folder: Path, names: list[str]) -> dict[str, NodeKey]:
    """One fresh key a node, in files that only their owner may read; older ones of the demo go."""
    for old in folder.glob("*.key"):
        old.unlink()
    made = {name: make_key(folder, name) for name in names}
    return {name: NodeKey(key.key_id, key.key) for name, key in made.items()}


def _row(spec: NodeSpec, fitted_s: float) -> dict[str, object]:
    fitted_at = datetime.fromtimestamp(fitted_s, UTC)
    settings = {name: getattr(spec.settings, name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")}
    return {
        "node": spec.node,
        "site": spec.creek.name,
        "profile": spec.profile.profile,
        "latitude": spec.creek.latitude,
        "longitude": spec.creek.longitude,
        "timezone": "Europe/London",
        "fitted": _iso(fitted_at),
        "key_file": f"keys/{spec.node}.key",
        "note": "",
        **settings,
    }


def _iso(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
