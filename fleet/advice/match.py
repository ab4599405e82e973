"""What the model told of the present settings against what was seen, and how that corrects what it tells of others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.advice.replay import Paths
from fleet.advice.ripple import Ripple
from fleet.messages import BandSettings

CLEAR_SDS = 4.0
SHARE_UNSURE = 0.15


@dataclass(frozen=True)
class Match:
    """Correction of one edge's wakes: one factor for crossings of the slow reading, one for the chatter on top."""

    crossing: float = 1.0
    chatter: float = 1.0

    def factor(self, told: float, crossings: float) -> float:
        """What to multiply the wakes told with, when so many of them are crossings of the slow reading.

        >>> Match(crossing=1.0, chatter=0.5).factor(told=20.0, crossings=10.0)
        0.75
        """
        if told <= 0:
            return 1.0
        clean = min(crossings, told)
        return (self.crossing * clean + self.chatter * (told - clean)) / told


def crossings_count(paths: Paths, settings: BandSettings, ripple: Ripple, *, high: bool) -> float:
    """Times the slow reading passes an edge and comes back clear of ripple and hysteresis, mean of the draws."""
    level = settings.hi if high else settings.lo
    if level is None:
        return 0.0
    margin = level - paths.x if high else paths.x - level
    state = (margin > (settings.hyst or 0.0) + CLEAR_SDS * ripple.sd).astype(np.int8) - (margin < 0)
    total = 0
    for row, alive in zip(state, np.broadcast_to(paths.alive, state.shape), strict=True):
        telling = np.flatnonzero(row)
        begins = (row[telling[1:]] < 0) & (row[telling[:-1]] > 0)
        total += int(alive[telling[1:]][begins].sum())
    return total / len(state)


def match_edges(
    seen: tuple[float, float], told: tuple[float, float], crossings: tuple[float, float]
) -> tuple[Match, Match]:
    """Corrections of the lower and the upper edge.

    Parameters
    ----------
    seen, told, crossings
        Band wakes seen, wakes the model tells, and crossings of the slow reading among them; each low, high.

    Notes
    -----
    Crossings are well known from the path, chatter is not: what was seen beyond the crossings corrects the chatter
    only. The two edges are drawn towards each other, since they share one ripple.

    Examples
    --------
    >>> low, high = match_edges((0.0, 30.0), (0.0, 50.0), (0.0, 10.0))
    >>> round(high.factor(50.0, 10.0) * 50.0)
    30
    """
    both = _ratio(sum(seen), sum(told), sum(crossings), prior=1.0)
    low, high = (_edge(s, t, min(c, t), prior=both) for s, t, c in zip(seen, told, crossings, strict=True))
    return low, high


def _ratio(seen: float, told: float, crossings: float, *, prior: float) -> float:
    """Chatter seen over chatter told, drawn to the prior where there is little of either."""
    clean = min(crossings, told)
    slack = 2.0 + SHARE_UNSURE * clean
    return float(np.clip((max(seen - clean, 0.0) + slack * prior) / (told - clean + slack), 0.02, 50.0))


def _edge(seen: float, told: float, crossings: float, *, prior: float) -> Match:
    first = Match(1.0, _ratio(seen, told, crossings, prior=prior))
    now = first.factor(told, crossings) * told
    rest = float(np.clip((seen + 0.5) / (now + 0.5), 0.2, 5.0))
    return Match(first.crossing * rest, first.chatter * rest)
