"""One simulated node's whole life: stretches between battery swaps and changes of settings, and what it told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fleet.demo.nodes import State, Stretch, after, live, parts_of, start, swapped
from fleet.demo.records import Told, told
from fleet.demo.spec import FaultKind, Parts
from fleet.demo.world import World
from fleet.messages import BandSettings
from fleet.units import S_PER_D


@dataclass(frozen=True, kw_only=True)
class SettingsChange:
    """An order that a node takes at its first heard wake after a moment."""

    node: str
    at_s: float
    settings: BandSettings


@dataclass(frozen=True)
class NodeLife:
    """One node's whole life in the span: its stretches and what it told of each."""

    world: World
    parts: Parts
    stretches: tuple[Stretch, ...]
    tales: tuple[Told, ...]


def whole_life(world: World, changes: Sequence[SettingsChange] = ()) -> NodeLife:
    """One node from the beginning of its world to the end, through swaps and orders."""
    parts = parts_of(world)
    return lived(world, parts, start(world, parts), world.since_s + world.days * S_PER_D, changes)


def lived(world: World, parts: Parts, state: State, until_s: float, changes: Sequence[SettingsChange] = ()) -> NodeLife:
    """One node from a state until a moment, through the swaps and changes of settings that fall into it."""
    stretches: list[Stretch] = []
    swaps = [(swap_s, number) for swap_s, number in swaps_of(world) if state.at_s <= swap_s < until_s]
    for swap_s, number in [*swaps, (until_s, 0)]:
        for change in [change for change in changes if state.at_s <= change.at_s < swap_s]:
            stretch = until_taken(world, parts, state, change, swap_s)
            stretches.append(stretch)
            state = stretch.ended
        stretch = live(world, parts, state, swap_s)
        stretches.append(stretch)
        state = swapped(world, stretch.ended, number) if number else stretch.ended
    return NodeLife(world, parts, tuple(stretches), tuple(told(world, parts, stretch) for stretch in stretches))


def swaps_of(world: World) -> list[tuple[float, int]]:
    """When the battery is changed, and the number of the new one."""
    kinds = (FaultKind.SWAP_UNTOLD, FaultKind.SWAP_TOLD)
    days = sorted(fault.onset_d for fault in world.spec.faults if fault.kind in kinds)
    return [(world.since_s + day * S_PER_D, number) for number, day in enumerate(days, start=1)]


def until_taken(world: World, parts: Parts, state: State, change: SettingsChange, limit_s: float) -> Stretch:
    """The node's life until its first heard wake after an order; the state it ends with has the order's settings."""
    stretch = live(world, parts, state, limit_s)
    taken = np.flatnonzero(stretch.wakes.arrives & (stretch.wakes.t_s >= change.at_s) & (stretch.wakes.late_s == 0))
    if not taken.size:
        return stretch
    wakes = stretch.wakes.up_to(int(taken[0]) + 1)
    return Stretch(state, wakes, replace(after(state, wakes), settings=change.settings))
