"""How this node's firmware behaves, read from its records: how fine it polls, when its timer starts, how it repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.advice.evidence import NodeEvidence
from fleet.profiles.profile import Profile
from fleet.units import MS_PER_S

GRIDS_S = (600.0, 300.0, 120.0, 60.0, 30.0, 20.0, 15.0, 10.0, 5.0, 2.0, 1.0)


@dataclass(frozen=True)
class Firmware:
    """Times of one node's firmware.

    `poll_s` is the time between looks at the band that the records support, `holdoff_s` the time after a wake in which
    none can follow (the wake itself at least), `repeat_s` the time between two band wakes while the reading stays
    outside (level re-arming), `timer_restarts` whether every wake starts the timer anew.
    """

    poll_s: float
    level: bool
    holdoff_s: float
    repeat_s: float
    timer_restarts: bool


def read_firmware(seen: NodeEvidence, profile: Profile) -> Firmware:
    """What the records and the profile say together; the records go first."""
    coprocessor = profile.coprocessor
    period_ms = seen.now.period_ms or (coprocessor.period_ms if coprocessor else 1000.0)
    poll_s = max(period_ms / MS_PER_S, _grid_s(seen), _runs_step_s(seen))
    told_s = (coprocessor.holdoff_s if coprocessor else None) or 0.0
    holdoff_s = max(told_s, seen.awake_s or profile.wake.length_ms.mean / MS_PER_S)  # no band wake falls into a wake
    level = bool(coprocessor and coprocessor.rearm == "level")
    repeat_s = max(holdoff_s, poll_s)
    gaps = _band_gaps_s(seen)
    if level and len(gaps) >= 5:
        near = gaps[gaps <= 3.0 * np.quantile(gaps, 0.1) + poll_s]
        repeat_s = max(float(np.median(near)), period_ms / MS_PER_S)
    return Firmware(poll_s, level, holdoff_s, repeat_s, _timer_restarts(seen))


def _band_gaps_s(seen: NodeEvidence) -> np.ndarray:
    """Gaps between two band wakes that follow each other with nothing lost between."""
    band = seen.is_band
    pair = band & np.concatenate([[False], band[:-1]]) & (seen.lost_count == 0) & (seen.gap_s > 0)
    return np.asarray(seen.gap_s[pair])


def _grid_s(seen: NodeEvidence) -> float:
    """Step on which band wakes fall, if they visibly fall on one; 0 otherwise."""
    gaps = _band_gaps_s(seen)
    gaps = gaps[gaps < 6 * 3600.0]
    if len(gaps) < 8:
        return 0.0
    for step_s in GRIDS_S:
        off = np.abs(gaps / step_s - np.round(gaps / step_s)) * step_s
        if (off <= 0.02 * step_s + 1e-4 * gaps).mean() > 0.9 and gaps.min() > 0.9 * step_s:
            return step_s
    return 0.0


def _runs_step_s(seen: NodeEvidence) -> float:
    """Time between the looks that the node counted while asleep; 0 if it counts none."""
    counted = (seen.asleep_n > 3) & (seen.gap_s > 0)
    if counted.sum() < 10:
        return 0.0
    return float(np.median(seen.gap_s[counted] / seen.asleep_n[counted]))


def _timer_restarts(seen: NodeEvidence) -> bool:
    """True if timer wakes come one interval after any wake, False if after the last timer wake."""
    sleep_s = seen.now.sleep_s
    after_other = seen.is_timer & ~np.concatenate([[True], seen.is_timer[:-1]]) & (seen.lost_count == 0) & seen.in_now
    if sleep_s is None or after_other.sum() < 5:
        return True
    off = np.abs(seen.gap_s[after_other] - sleep_s) / sleep_s
    return bool((off < 0.03).mean() > 0.4)
