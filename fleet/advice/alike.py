"""One setting for like nodes where it costs little: people prefer few variants."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fleet.advice.whatif import WhatIf
from fleet.messages import BandSettings

ALIKE_LEAST = 3
CANDIDATES = 2
EVENTS_GIVEN_UP = 0.02
DRAIN_MORE_FRAC = 0.1
Ask = Callable[[BandSettings], WhatIf]


@dataclass(frozen=True)
class Wish:
    """What one node was to be given. Nodes of one `kind` may share; `reaches` tests a result against the target."""

    node_id: int
    kind: Hashable
    chosen: WhatIf
    ask: Ask
    reaches: Callable[[WhatIf], bool]


def shared_settings(wishes: Sequence[Wish]) -> Mapping[int, BandSettings]:
    """By node: the setting it can share with its like. Nodes that would lose by it are left out.

    Notes
    -----
    Tried are the settings in the middle of what the like nodes were to be given. A node takes part if it still reaches
    its target, sees at most 2 % fewer events and drains at most a tenth more.
    """
    shared: dict[int, BandSettings] = {}
    for kind in dict.fromkeys(wish.kind for wish in wishes):
        mine = [wish for wish in wishes if wish.kind == kind]
        if len(mine) < ALIKE_LEAST:
            continue
        best: list[Wish] = []
        setting = None
        for candidate in _middle(mine):
            content = [wish for wish in mine if _content(wish, candidate)]
            if len(content) > len(best):
                best, setting = content, candidate
        if setting is not None and len(best) >= 2:
            shared |= {wish.node_id: setting for wish in best}
    return shared


def _middle(wishes: Sequence[Wish]) -> list[BandSettings]:
    """The settings nearest to the middle of all chosen, by ranks of each setting."""
    table = np.array([[_number(wish.chosen.settings, name) for name in _NAMES] for wish in wishes])
    spread = np.where(np.ptp(table, axis=0) > 0, np.ptp(table, axis=0), 1.0)
    off = np.abs((table - np.quantile(table, 0.6, axis=0)) / spread).sum(axis=1)
    found = dict.fromkeys(wishes[int(i)].chosen.settings for i in np.argsort(off, kind="stable"))
    return list(found)[:CANDIDATES]


_NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")


def _number(settings: BandSettings, name: str) -> float:
    value = getattr(settings, name)
    return 0.0 if value is None else float(value)


def _content(wish: Wish, settings: BandSettings) -> bool:
    """True if the node loses next to nothing by this setting."""
    if settings == wish.chosen.settings:
        return True
    told = wish.ask(settings)
    lost = wish.chosen.events_seen.mid - told.events_seen.mid
    dearer = told.drain_mah_per_day.mid / max(wish.chosen.drain_mah_per_day.mid, 1e-12) - 1.0
    return wish.reaches(told) and not lost > EVENTS_GIVEN_UP and dearer <= DRAIN_MORE_FRAC
