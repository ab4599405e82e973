"""Harrow Flats going on while somebody watches: hour by hour at a speed-up, orders taken as they come."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from fleet.demo.flats import Flats
from fleet.demo.lives import NodeLife
from fleet.demo.play import OrderBox, Pace, Played, in_order, publish
from fleet.demo.under_order import NodeKey, OnTrial, kept, on_trial, take
from fleet.demo.wire_out import Message
from fleet.units import S_PER_H


@dataclass
class _Orders:
    """What was taken from the box, and what is on trial."""

    box: OrderBox
    keys: Mapping[str, NodeKey]
    root: str
    taken: dict[str, bytes] = field(default_factory=dict)
    trials: dict[str, OnTrial] = field(default_factory=dict)

    def step(self, flats: Flats, until_s: float) -> tuple[list[NodeLife], list[Message]]:
        """Ordered nodes until a moment; none goes beyond the end of its trial unkept."""
        lives: list[NodeLife] = []
        answers: list[Message] = []
        for name, payload in self.box.orders().items():
            if name not in flats.worlds or self.taken.get(name) == payload or name in self.trials:
                continue
            life, told, trial = take(flats, name, payload, root=self.root, keys=self.keys, until_s=until_s)
            lives.append(life)
            answers += told
            if told:
                self.taken[name] = payload
            if trial:
                self.trials[name] = trial
        for name in list(self.trials):
            lives += self._trial(flats, name, until_s)
        return lives, answers

    def _trial(self, flats: Flats, name: str, until_s: float) -> list[NodeLife]:
        trial, payload = self.trials[name], self.box.orders().get(name)
        is_new = payload is not None and payload != self.taken[name]
        if not is_new or payload is None:
            life, went_back = on_trial(flats, name, trial, until_s)
            if went_back:
                del self.trials[name]
            return [life]
        del self.trials[name]
        self.taken[name] = payload
        return kept(flats, name, trial, payload, root=self.root, keys=self.keys, until_s=until_s)


def live_on(
    flats: Flats,
    url: str,
    root: str,
    *,
    speed_up: float,
    end_s: float,
    box: OrderBox | None = None,
    keys: Mapping[str, NodeKey] | None = None,
    pace: Pace | None = None,
    step_s: float = S_PER_H,
) -> Iterator[Played]:
    """Go on step by step until `pace.stop` is set or the scenario ends; with a box, nodes take the orders in it.

    Raises
    ------
    BrokerError
        If the broker can't be used.
    """
    pace = pace or Pace()
    pace.speed_up = speed_up
    orders = _Orders(box, keys or {}, root) if box else None
    while flats.at_s < end_s and not pace.stop.is_set():
        until_s = min(flats.at_s + step_s, end_s)
        lives, answers = orders.step(flats, until_s) if orders else ([], [])
        waiting = set(orders.trials) if orders else set()
        lives += flats.advance(until_s, nodes=[name for name in flats.worlds if name not in waiting], remembers=True)
        flats.at_s = until_s
        yield from publish(in_order(lives, answers, root), url, pace)
        pace.stop.wait(step_s / speed_up if not lives else 0.0)
