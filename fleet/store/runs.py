"""Runs of sequence numbers stored without a hole, per node: how a repeat is known and what a receipt may promise.

A node may live several times under one `boot` number (a wrapped counter, a wiped flash), so a run also says from when
to when its records lie. Runs are cut short, so that looking for one stored record stays a few reads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

RUN_MAX_COUNT = 256
RUN_MAX_S = 4 * 86_400.0
PATIENCE_COUNT = 8
"""Records stored after a hole before a receipt passes it: a node that still holds the missing ones sends them first."""

WRAPS = (2**16, 2**24, 2**32)
NEAR_WRAP = 64

Key = tuple[int, float, int]


@dataclass(slots=True)
class Run:
    """Records `first` to `last` of one boot, believed to lie between `since` and `until`."""

    boot: int
    first: int
    last: int
    since: float
    until: float

    @property
    def count(self) -> int:
        """How many records."""
        return self.last - self.first + 1

    @property
    def key(self) -> Key:
        """What names it among the runs of its node."""
        return (self.boot, self.since, self.first)

    def holds(self, seq: int) -> bool:
        """Whether this sequence number lies in it."""
        return self.first <= seq <= self.last

    def takes(self, since: float, until: float, count: int = 1) -> bool:
        """Whether so many more records of that time keep it short enough."""
        span_s = max(self.until, until) - min(self.since, since)
        return self.count + count <= RUN_MAX_COUNT and span_s <= RUN_MAX_S

    def take(self, other: Run) -> None:
        """Swallow a neighbour."""
        self.first, self.last = min(self.first, other.first), max(self.last, other.last)
        self.since, self.until = min(self.since, other.since), max(self.until, other.until)


class NodeRuns:
    """The runs of one node: the growing one in memory, closed ones read when they are needed."""

    __slots__ = ("_closed", "_closing", "_stored", "alone", "load", "open", "top")

    def __init__(self, growing: Run | None, top: int, load: Callable[[int], list[Run]], *, alone: bool = False) -> None:
        self.open = growing
        self.load = load
        self.top = top  # highest number known of the growing run's boot, from whichever life
        self.alone = alone  # no closed run of the growing run's boot is stored: nothing to load
        self._closed: dict[int, list[Run]] = {}
        self._stored: dict[int, dict[Key, tuple[int, float]]] = {}
        self._closing: list[Run] = []

    def closed(self, boot: int) -> list[Run]:
        """Closed runs of a boot, those of this batch too."""
        if boot not in self._closed:
            runs = [] if self.alone and self.open is not None and self.open.boot == boot else self.load(boot)
            self._stored[boot] = {run.key: (run.last, run.until) for run in runs}
            self._closed[boot] = runs + [run for run in self._closing if run.boot == boot]
            self._closing = [run for run in self._closing if run.boot != boot]
        return self._closed[boot]

    def holding(self, boot: int, seq: int) -> list[Run]:
        """Runs that hold this number: more than one if the node lived more than once."""
        growing = self.open
        if growing is None or (growing.boot == boot and seq > self.top):
            return []
        found = [run for run in self.closed(boot) if run.holds(seq)]
        return [*found, growing] if growing.boot == boot and growing.holds(seq) else found

    def goes_on(self, boot: int, seq: int) -> bool:
        """Whether this number follows the newest one, over a wrap of the counter too."""
        run = self.open
        if run is None or run.boot != boot:
            return False
        return seq == run.last + 1 or any(wrap - NEAR_WRAP <= run.last < wrap and seq < NEAR_WRAP for wrap in WRAPS)

    def add(self, boot: int, seq: int, t: float, *, another_life: bool = False) -> None:
        """Count a record in that is not stored yet."""
        growing = self.open
        fresh = Run(boot, seq, seq, t, t)
        if growing is None:
            self.open, self.top = fresh, seq
        elif growing.boot == boot and growing.last + 1 == seq and t >= growing.since and growing.takes(t, t):
            growing.take(fresh)
            self.top = max(self.top, seq)
        elif another_life or self._is_newer(growing, fresh):
            known = self.top if growing.boot == boot else max((run.last for run in self.closed(boot)), default=seq)
            self.alone = growing.boot != boot and not self.closed(boot)
            self._close(growing)
            self.open, self.top = fresh, max(known, seq)
        else:
            self._fill(growing, fresh)

    def _is_newer(self, growing: Run, fresh: Run) -> bool:
        """Whether a record goes on from the growing run, or belongs to something older."""
        if fresh.boot != growing.boot:
            return fresh.since >= (growing.since if fresh.boot > growing.boot else growing.until)
        if fresh.first > growing.last:
            return fresh.since >= growing.since
        fills_hole = any(run.last < fresh.first and run.since <= fresh.since for run in self.closed(fresh.boot))
        return fresh.since > growing.until and not fills_hole

    def _close(self, run: Run) -> None:
        if run.boot in self._closed:
            self._closed[run.boot].append(run)
        else:
            self._closing.append(run)

    def _fill(self, growing: Run, fresh: Run) -> None:
        """Put a late record beside its neighbours; closed runs that now touch become one."""
        runs = self.closed(fresh.boot)
        if fresh.boot == growing.boot and fresh.first == growing.first - 1 and growing.takes(fresh.since, fresh.until):
            growing.take(fresh)
            return
        self.alone = False
        for run in list(runs):
            touches = run.last + 1 == fresh.first or fresh.last + 1 == run.first
            if touches and run.takes(fresh.since, fresh.until, fresh.count):
                runs.remove(run)
                fresh.take(run)
        runs.append(fresh)

    def upto(self, boot: int) -> int | None:
        """The number up to which a receipt may promise; None if no record of this boot is here."""
        growing = self.open
        if growing is not None and growing.boot == boot and growing.count >= PATIENCE_COUNT:
            return growing.last
        runs = sorted(self.closed(boot), key=lambda run: (run.since, run.first))
        if growing is not None and growing.boot == boot:
            runs.append(growing)
        return promise(runs)

    def changes(self) -> tuple[list[Key], list[Run]]:
        """Stored runs that are no more, and runs to store; afterwards only the growing one is remembered."""
        gone: list[Key] = []
        fresh = list(self._closing)
        for boot, runs in self._closed.items():
            before, now = self._stored[boot], {run.key: run for run in runs}
            gone += [key for key in before if key not in now]
            fresh += [run for key, run in now.items() if before.get(key) != (run.last, run.until)]
        self._closed, self._stored, self._closing = {}, {}, []
        return gone, fresh


def promise(runs: Iterable[Run]) -> int | None:
    """Up to where a node's records are stored, in runs from old to new of one boot.

    A hole holds the promise back until enough records after it are stored: then the node no longer has the missing
    ones. Numbers that fall tell of another life of the node, which no promise reaches back into.

    >>> promise([Run(1, 0, 9, 0.0, 9.0), Run(1, 12, 14, 12.0, 14.0)])
    9
    >>> promise([Run(1, 0, 9, 0.0, 9.0), Run(1, 12, 19, 12.0, 19.0)])
    19
    """
    newest_first = sorted(runs, key=lambda run: (run.since, run.first), reverse=True)
    if not newest_first:
        return None
    upto, count, above = newest_first[0].last, newest_first[0].count, newest_first[0].first
    for run in newest_first[1:]:
        if count >= PATIENCE_COUNT or run.last >= above:
            break
        if run.last + 1 != above:
            upto = run.last
        count, above = count + run.count, run.first
    return upto
