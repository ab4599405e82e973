"""Harrow Flats as a thing that goes on: every node's state, carried from one span to the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fleet.demo.lives import NodeLife, lived
from fleet.demo.nodes import State, parts_of, start
from fleet.demo.spec import NodeSpec, Parts, Progress
from fleet.demo.world import World
from fleet.units import S_PER_D


@dataclass
class Flats:
    """The nodes of a scenario and where each stands. `at_s` is how far all have been played."""

    worlds: dict[str, World]
    parts: dict[str, Parts]
    states: dict[str, State]
    seed: int
    since_s: float
    at_s: float

    @property
    def specs(self) -> Mapping[str, NodeSpec]:
        """What each node is, by name."""
        return {name: world.spec for name, world in self.worlds.items()}

    def advance(
        self,
        until_s: float,
        *,
        nodes: Sequence[str] | None = None,
        progress: Progress | None = None,
        remembers: bool = False,
    ) -> list[NodeLife]:
        """Let nodes (all, if not named) live until a moment; nodes already beyond it stay where they are.

        With `remembers` the worlds keep their levels in memory: for many short steps.
        """
        names = [name for name in (self.worlds if nodes is None else nodes) if self.states[name].at_s < until_s]
        lives = []
        for done, name in enumerate(names, start=1):
            life = lived(self.worlds[name], self.parts[name], self.states[name], until_s)
            self.states[name] = life.stretches[-1].ended
            lives.append(life)
            if not remembers:
                self.worlds[name].forget()
            if progress:
                progress(done, len(names))
        self.at_s = min(state.at_s for state in self.states.values())
        return lives


def opened(specs: Sequence[NodeSpec], *, since_s: float, days: int, seed: int) -> Flats:
    """The scenario at its beginning. `days` is how far it can go at most."""
    worlds = {spec.node: World(spec, since_s, days, seed) for spec in specs}
    parts = {name: parts_of(world) for name, world in worlds.items()}
    states = {name: start(world, parts[name]) for name, world in worlds.items()}
    return Flats(worlds, parts, states, seed, since_s, since_s)


def end_s(flats: Flats) -> float:
    """How far the scenario can go. [s]"""
    world = next(iter(flats.worlds.values()))
    return world.since_s + world.days * S_PER_D
