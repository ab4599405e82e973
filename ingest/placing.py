"""The believed time of a live record: as `fleet.wire_time`, but knowing only what arrived so far."""

from __future__ import annotations

from fleet.messages import WakeRecord
from fleet.units import S_PER_D
from fleet.wire_time import (
    CLOCK_SET_SINCE_S,
    FAR_S,
    FUTURE_S,
    UPTIME_ERROR_FRAC,
    ZONE_RECORDS_COUNT,
    ZONE_SLACK_S,
    ZONE_STEP_S,
)
from fleet.words import TimeFrom

NODES_KEPT_COUNT = 100_000
"""Bound on memory; the node whose present cold start was noted first is forgotten."""


class ColdStart:
    """What one cold start's arrivals say about when it began."""

    __slots__ = ("boot", "count", "day_up_s", "earlier_s", "first_sent", "first_up_s", "last_up_s", "lowest_s")

    def __init__(self, boot: int, sent: float, up_s: float) -> None:
        self.boot = boot
        self.count = 1
        self.first_sent, self.first_up_s, self.last_up_s, self.day_up_s = sent, up_s, up_s, up_s
        self.lowest_s = self.earlier_s = sent - up_s

    def add(self, sent: float, up_s: float) -> None:
        """Take one more arrival in."""
        self.count += 1
        if up_s - self.day_up_s > S_PER_D:  # an oscillator drifts: yesterday's lower edge counts, older ones no longer
            self.earlier_s, self.lowest_s, self.day_up_s = self.lowest_s, sent - up_s, up_s
        if sent - up_s < self.lowest_s:  # plain comparisons: this is the hot path
            self.lowest_s = sent - up_s
        if up_s > self.last_up_s:
            self.last_up_s = up_s

    def time_at(self, up_s: float) -> float:
        """When this cold start had run for so long."""
        lowest_s = self.lowest_s if self.lowest_s < self.earlier_s else self.earlier_s  # min() costs twice as much
        return lowest_s + up_s

    def is_live(self, sent: float, up_s: float) -> bool:
        """True if arrivals are spread like the wakes, so that a clock far behind is wrong and not merely sent late."""
        return self.count > 1 and sent - self.first_sent >= (up_s - self.first_up_s) / 2 > 0


class Zone:
    """How far a node's clock is behind its arrivals, while that stays the same."""

    __slots__ = ("count", "high_s", "low_s")

    def __init__(self) -> None:
        self.count, self.low_s, self.high_s = 0, 0.0, 0.0

    def is_wrong(self, behind_s: float) -> bool:
        """True once enough records in a row were behind by the same whole half hours."""
        if not self.count or not self.high_s - ZONE_SLACK_S < behind_s < self.low_s + ZONE_SLACK_S:
            self.count, self.low_s, self.high_s = 1, behind_s, behind_s
            return False
        self.count += 1
        self.low_s, self.high_s = min(self.low_s, behind_s), max(self.high_s, behind_s)
        steps = round(self.low_s / ZONE_STEP_S)
        return self.count >= ZONE_RECORDS_COUNT and steps >= 1 and abs(self.low_s - steps * ZONE_STEP_S) < ZONE_SLACK_S


class Placer:
    """Places live records in time; keeps a little about each node."""

    def __init__(self) -> None:
        self._starts: dict[str, ColdStart] = {}
        self._zones: dict[str, Zone] = {}

    def place(self, node: str, arrived: float, record: WakeRecord) -> tuple[float, TimeFrom]:
        """Believed time of a record, and where it came from."""
        waited = record.late_s is not None and arrived - record.late_s >= CLOCK_SET_SINCE_S
        sent = arrived - record.late_s if waited and record.late_s is not None else arrived
        start = None if record.up_s is None else self._started(node, sent, record.boot, record.up_s)
        clock = record.t
        if clock is not None and clock >= CLOCK_SET_SINCE_S and self._believed(node, clock, sent, record.up_s, start):
            return clock, TimeFrom.CLOCK
        if waited:
            return sent, TimeFrom.ARRIVAL_LESS_LATE
        if start is not None and start.count > 1 and record.up_s is not None:
            return min(start.time_at(record.up_s), arrived), TimeFrom.UPTIME
        return arrived, TimeFrom.ARRIVAL

    def _started(self, node: str, sent: float, boot: int, up_s: float) -> ColdStart:
        start = self._starts.get(node)
        if start is not None and start.boot == boot and up_s >= start.last_up_s - 2 * S_PER_D:
            start.add(sent, up_s)
            return start
        if len(self._starts) >= NODES_KEPT_COUNT:
            del self._starts[next(iter(self._starts))]
        start = self._starts[node] = ColdStart(boot, sent, up_s)
        return start

    def _believed(self, node: str, clock: float, sent: float, up_s: float | None, start: ColdStart | None) -> bool:
        behind_s = sent - clock
        if behind_s < -FUTURE_S:
            return False
        if start is not None and up_s is not None and start.count > 1:
            off_s = start.time_at(up_s) - clock
            if not -FAR_S <= off_s <= FAR_S:
                far_s = FAR_S + UPTIME_ERROR_FRAC * min(start.last_up_s - start.first_up_s, S_PER_D)
                if off_s < -far_s or (off_s > far_s and start.is_live(sent, up_s)):
                    return False
        if behind_s < ZONE_STEP_S - ZONE_SLACK_S:
            if self._zones:
                self._zones.pop(node, None)
            return True
        if len(self._zones) >= NODES_KEPT_COUNT:
            del self._zones[next(iter(self._zones))]
        zone = self._zones.setdefault(node, Zone())
        return not zone.is_wrong(behind_s)
