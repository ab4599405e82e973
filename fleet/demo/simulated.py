"""A whole simulated fleet: its records as frames, its messages, and the truth behind them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
import pandas as pd

from fleet.demo.lives import NodeLife, SettingsChange, whole_life
from fleet.demo.rerun import Rerun, rerun_node
from fleet.demo.setup_frames import event_frame, node_frame
from fleet.demo.spec import FaultKind, NodeSpec, Progress
from fleet.demo.truth import truth_frame
from fleet.demo.world import World
from fleet.frames import RECORD, SETTING
from fleet.messages import BandSettings
from fleet.profiles.profile import Profile
from fleet.units import S_PER_D


@dataclass(frozen=True)
class SimulatedFleet:
    """The nodes, what the tool may see (`records`, `settings`, `nodes`, `events`) and what it may not (`truth`).

    `node_id` is the place in the list of specs, from 1. `records` has the columns of RECORD, sorted by arrival.
    """

    lives: tuple[NodeLife, ...]
    since_s: float
    days: int

    @property
    def profiles(self) -> Mapping[str, Profile]:
        """Profiles of the nodes, by name."""
        return {life.world.spec.profile.profile: life.world.spec.profile for life in self.lives}

    @cached_property
    def nodes(self) -> pd.DataFrame:
        """NODE frame, as a person would have written it."""
        return node_frame(self.lives)

    @cached_property
    def events(self) -> pd.DataFrame:
        """EVENT frame: the swaps and visits that were told."""
        return event_frame(self.lives)

    @cached_property
    def settings(self) -> pd.DataFrame:
        """SETTING frame: every set of settings that a node reported."""
        rows = [
            (set_id, number, *_settings_row(settings)) for set_id, (number, settings) in enumerate(self._setting_keys)
        ]
        return pd.DataFrame(rows, columns=list(SETTING)).astype(SETTING)

    @cached_property
    def _setting_keys(self) -> list[tuple[int, BandSettings]]:
        keys: dict[tuple[int, BandSettings], None] = {}
        for number, life in enumerate(self.lives, start=1):
            fault = life.world.spec.fault(FaultKind.IDS_CROSSED)
            names = [number] if fault is None or fault.partner is None else [number, fault.partner + 1]
            for stretch in life.stretches:
                keys.update(((name, stretch.begun.settings), None) for name in names)
        return list(keys)

    @cached_property
    def _set_ids(self) -> dict[tuple[int, BandSettings], int]:
        return {key: set_id for set_id, key in enumerate(self._setting_keys)}

    @property
    def records(self) -> pd.DataFrame:
        """RECORD frame, straight from the simulation."""
        return self._records_and_hists[0]

    @property
    def hists(self) -> dict[int, tuple[float, float, list[int]]]:
        """Histogram (lower edge, step, counts) by row of `records`."""
        return self._records_and_hists[1]

    @cached_property
    def _records_and_hists(self) -> tuple[pd.DataFrame, dict[int, tuple[float, float, list[int]]]]:
        parts: list[dict[str, np.ndarray]] = []
        hists: dict[int, tuple[float, float, list[int]]] = {}
        place = 0
        for number, life in enumerate(self.lives, start=1):
            for stretch, tale in zip(life.stretches, life.tales, strict=True):
                count = len(tale.carrier)
                settings = stretch.begun.settings
                set_id = np.full(count, self._set_ids[number, settings])
                trial = np.full(count, int(settings.trial))
                parts.append({"node_id": np.full(count, number), "set_id": set_id, "trial": trial} | tale.columns)
                hists |= {place + row: (hist.lo, hist.step, list(hist.n)) for row, hist in tale.hists.items()}
                place += count
        columns = {name: np.concatenate([part[name] for part in parts]) for name in RECORD}
        order = np.lexsort((columns["seq"], columns["node_id"], columns["arrived"]))
        frame = pd.DataFrame(self._as_named(columns)).astype(RECORD).iloc[order].reset_index(drop=True)
        row_of = np.empty(len(order), dtype=np.int64)
        row_of[order] = np.arange(len(order))
        return frame, {int(row_of[old]): hist for old, hist in hists.items()}

    def _as_named(self, columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Records under the name they appear with: two nodes that changed places report under each other's."""
        node_id, set_id = columns["node_id"].copy(), columns["set_id"].copy()
        for number, life in enumerate(self.lives, start=1):
            fault = life.world.spec.fault(FaultKind.IDS_CROSSED)
            if fault is None or fault.partner is None:
                continue
            onset_s = self.since_s + fault.onset_d * S_PER_D
            crossed = np.flatnonzero((columns["node_id"] == number) & (columns["arrived"] >= onset_s))
            node_id[crossed] = fault.partner + 1
            old_ids = columns["set_id"][crossed].tolist()
            set_id[crossed] = [self._set_ids[fault.partner + 1, self._setting_keys[old][1]] for old in old_ids]
        return columns | {"node_id": node_id, "set_id": set_id}

    @cached_property
    def truth(self) -> pd.DataFrame:
        """One row a node: faults and their onsets, true daily charge, floor, wake charge, charge left, death."""
        return truth_frame(self.lives)

    def messages(self, root: str = "marsh") -> Iterator[tuple[float, str, bytes]]:
        """Arrival time, topic and payload of every message, in order of arrival."""
        from fleet.demo.wire_out import messages_of

        return messages_of(self.lives, root)

    def rerun(
        self, node: str, settings: BandSettings, *, since_d: float = 0.0, days: float | None = None, rerun_seed: int = 0
    ) -> Rerun:
        """The same node in the same world under other settings: wakes a day by cause, real events seen in time."""
        life = next(life for life in self.lives if life.world.spec.node == node)
        span_d = (since_d, self.days if days is None else since_d + days)
        return rerun_node(life.world, life.parts, settings, span_d, rerun_seed=rerun_seed)


def simulate_fleet(
    spec: Sequence[NodeSpec],
    *,
    since_at: datetime,
    days: int,
    seed: int,
    orders: Sequence[SettingsChange] = (),
    progress: Progress | None = None,
) -> SimulatedFleet:
    """A fleet with its faults, run through `days`; the same arguments give the same records.

    Parameters
    ----------
    since_at
        Start of the span, aware UTC. Onsets of faults count from here.
    orders
        Settings that nodes take on the way.
    progress
        Told after each node how many of how many are done.
    """
    since_s = since_at.timestamp()
    lives = []
    for done, node in enumerate(spec, start=1):
        world = World(node, since_s, days, seed)
        changes = sorted((change for change in orders if change.node == node.node), key=lambda change: change.at_s)
        lives.append(whole_life(world, changes))
        world.forget()
        if progress:
            progress(done, len(spec))
    return SimulatedFleet(tuple(lives), since_s, days)


def _settings_row(settings: BandSettings) -> tuple[float | None, ...]:
    names = ("rev", "lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
    return tuple(getattr(settings, name) for name in names)
