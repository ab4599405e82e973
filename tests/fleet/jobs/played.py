"""A small fleet by the contract: hourly records into a store, orders handed over without a broker, trial, fall-back."""

from __future__ import annotations

import copy
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import draft, known_of
from fleet.jobs.nightly import read_deployment, sync_setup
from fleet.jobs.release_step import step
from fleet.messages import BandSettings, Life, WakeRecord
from fleet.settings import Broker, Settings
from fleet.store.days import roll_up_dirty
from fleet.store.engine import Store, open_store
from fleet.store.keys import OrderKey, make_key
from fleet.store.orders import move_order, read_order, read_orders
from fleet.store.records import ArrivedRecord, write_batch
from fleet.store.results import rows_of
from fleet.wire_order import OrderKind, digest_of, open_order
from fleet.words import OrderState, TimeFrom

STARTER = Path(__file__).parents[3] / "demo_data" / "starter"
ROOT, START_S = "marsh", 1_764_547_200.0  # 2025-12-01T00:00:00Z
HOUR_S = 3600.0
FACTORY = {"lo": 0.8, "hi": 2.0, "hyst": 0.05, "sleep_s": 3600.0, "period_ms": 100.0, "avg": 8}


@dataclass
class PlayedNode:
    """One node. `wakes_per_h` is what it does while it runs what it was given at the factory, `on_order` afterwards."""

    name: str
    word: str
    key: OrderKey
    wakes_per_h: int = 1
    on_order: int = 1
    deaf: bool = False
    seq: int = 0
    settings: BandSettings = field(default_factory=lambda: BandSettings(**FACTORY, rev=0, seen=0))  # type: ignore[arg-type]  # of many kinds
    kept: BandSettings = field(default_factory=lambda: BandSettings(**FACTORY, rev=0, seen=0))  # type: ignore[arg-type]  # of many kinds
    left: int = 0

    def obey(self, frame: bytes) -> None:
        """Take an order as the contract has it."""
        order = open_order(frame, key=self.key.key, key_id=self.key.key_id, topic=f"{ROOT}/{self.name}/retune")
        if order.kind is OrderKind.KEEP:
            if self.settings.trial and order.rev == self.settings.rev:
                self.settings = _changed(self.settings, trial=False)
                self.kept = self.settings
        elif order.word.hex() == self.word and order.rev > (self.settings.seen or 0) and order.settings is not None:
            told = {"rev": order.rev, "seen": order.rev, "digest": digest_of(frame), "trial": True}
            self.settings = _changed(order.settings, **told)
            self.left = order.trial_wakes or 0

    def wakes(self, at_s: float, cause: str, reading: float) -> ArrivedRecord:
        """One wake and its record; a trial that ends unkept, or in a reset, goes back."""
        self.seq += 1
        if self.settings.trial:
            self.left -= 1
            if self.left < 0 or cause in ("brownout", "watchdog"):
                self.settings = _changed(self.kept, seen=self.settings.seen)
        record = WakeRecord(
            boot=1, seq=self.seq, cause=cause, t=at_s, reading={"level_v": reading}, batt_mv=2950, batt_tx_mv=2880,
            awake_ms=1850.0, radio_ms=1500.0, tries=1, temp_c=9.5, set=self.settings, life=Life(self.word, self.seq),
        )  # fmt: skip
        return ArrivedRecord(self.name, record, at_s + 1.0, at_s, TimeFrom.CLOCK, reading)


def _changed(settings: BandSettings, **told: object) -> BandSettings:
    names = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg", "rev", "seen", "digest", "trial")
    return BandSettings(**{name: getattr(settings, name) for name in names} | told)


class PlayedFleet:
    """A deployment in a folder, its store, its nodes, and the present."""

    def __init__(self, folder: Path, count: int) -> None:
        self.folder, self.at_s = folder, START_S
        shutil.copytree(STARTER / "profiles", folder / "profiles")
        given = "creek-level,0.80,2.00,0.05,3600,100,8"
        lines = [f"n{at:03},North creek,{given}" for at in range(1, count + 1)]
        head = "node,site,profile,lo,hi,hyst,sleep_s,period_ms,avg"
        (folder / "nodes.csv").write_text("\n".join([head, *lines]) + "\n")
        (folder / "fleet.toml").write_text(f'database = "sqlite:///fleet.sqlite"\n[broker]\nroot = "{ROOT}"\n')
        self.settings = Settings(
            database="sqlite:///fleet.sqlite", setup=".", broker=Broker(root=ROOT), folder=str(folder)
        )
        self.store: Store = open_store(self.settings.database_url)
        sync_setup(self.store, folder)
        self.deployment: Deployment = read_deployment(self.store, folder)
        names = [f"n{at:03}" for at in range(1, count + 1)]
        self.nodes = {
            name: PlayedNode(name, f"{at + 1:016x}", make_key(self.settings.keys_dir, name))
            for at, name in enumerate(names)
        }

    def copied(self, folder: Path) -> PlayedFleet:
        """The same fleet in a folder of its own; this one's store must be closed."""
        made = copy.copy(self)
        shutil.copytree(self.folder, folder, dirs_exist_ok=True)
        made.folder, made.settings = folder, msgspec.structs.replace(self.settings, folder=str(folder))
        made.nodes = copy.deepcopy(self.nodes)
        made.store = open_store(made.settings.database_url)
        return made

    @property
    def now_at(self) -> datetime:
        """The present."""
        return datetime.fromtimestamp(self.at_s + 2.0, UTC)

    def live(self, hours: int, *, causes: Mapping[str, str] = {}, readings: Mapping[str, float] = {}) -> None:
        """So many hours of records of all nodes; `causes` and `readings` hold for the first wake of those named."""
        records: list[ArrivedRecord] = []
        for hour in range(hours):
            self.at_s += HOUR_S
            for name, node in self.nodes.items():
                if node.deaf:
                    continue
                per_h = node.wakes_per_h if node.settings.rev == 0 else node.on_order
                for wake in range(per_h):
                    first = hour == 0 and wake == per_h - 1
                    cause = causes.get(name, "timer") if first else "timer"
                    reading = readings.get(name, 1.2) if first else 1.2
                    records.append(node.wakes(self.at_s - (per_h - 1 - wake) * HOUR_S / per_h, cause, reading))
        write_batch(self.store, records)
        if hours >= 24:
            roll_up_dirty(self.store)

    def draft(self, names: Sequence[str], never_with: str | None = None) -> None:
        """A wider hysteresis for these nodes."""
        known = known_of(self.store, self.deployment, self.settings, self.now_at)
        for name in names:
            draft(self.store, known, name, {"hyst": 0.1}, drafted_by="ann", now_at=self.now_at, never_with=never_with)

    def hand_over(self) -> None:
        """What an outbox and a broker would do: sealed orders are posted, and their nodes take them at once."""
        orders = read_orders(self.store, states=[OrderState.SEALED])
        for row in rows_of(orders.merge(self.deployment.nodes[["node_id", "node"]], on="node_id")):
            full = read_order(self.store, int(row["order_id"]))
            assert full is not None
            moved = {"state": "posted", "state_at": self.at_s + 2.0}
            move_order(self.store, int(row["order_id"]), was="sealed", values=moved)
            if not self.nodes[row["node"]].deaf:
                self.nodes[row["node"]].obey(bytes(full["sealed"]))

    def look(self) -> list[str]:
        """One step of the release job."""
        return step(self.store, self.deployment, self.settings, now_at=self.now_at)

    def states(self, kind: str = "settings") -> dict[str, str]:
        """The state of each node's newest order of a kind."""
        orders = read_orders(self.store).merge(self.deployment.nodes[["node_id", "node"]], on="node_id")
        return {row["node"]: str(row["state"]) for row in rows_of(orders[orders["kind"] == kind])}
