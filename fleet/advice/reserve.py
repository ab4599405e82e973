"""The reserve ladder: which timer interval to fall to as charge runs low, so that a node lives until its visit."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from fleet.advice.drain import Budget
from fleet.advice.interval import intervals_tried
from fleet.advice.signal import SignalModel
from fleet.advice.whatif import WhatIf, replace_settings, what_if
from fleet.messages import BandSettings
from fleet.profiles.profile import Profile


@dataclass(frozen=True)
class Rung:
    """Below `charge_left` (share of usable), use `sleep_s`."""

    charge_left: float
    sleep_s: float


def reserve_ladder(
    steps: Sequence[WhatIf], *, usable_mah: float, until_d: float, odds: float = 0.9, log_sd: float = 0.15
) -> list[Rung]:
    """Rungs from the present interval down.

    Parameters
    ----------
    steps
        What the node would do at each interval, shortest first, all with one band; the first is the present.
    usable_mah
        Charge that a full pack gives at the node. [mAh]
    until_d
        Days until the next visit. [days]
    odds
        Chance wanted of living until then.
    log_sd
        Spread of the logarithm of the drain.

    Returns
    -------
    One rung for each longer interval: below this charge the interval before it no longer lasts. A rung above 1 means
    that even a full pack would not last at the interval before. Empty if there is only one interval.

    Notes
    -----
    Charge needed is drain x days, with room for the drain's spread. A cell is never to be run below its end voltage to
    gain days: usable charge ends there.

    Examples
    --------
    At 10 mAh a day 50 days want half of 1,000 mAh, here with even odds:

    >>> from fleet.advice.whatif import Range
    >>> from fleet.messages import BandSettings
    >>> none = Range(0.0, 0.0, 0.0)
    >>> days = (0.0, 0.0, 0.0)
    >>> def at(sleep_s, drain):
    ...     settings = BandSettings(sleep_s=sleep_s)
    ...     return WhatIf(settings, none, {}, Range(drain, drain, drain), days, none, 0.0, "")
    >>> reserve_ladder([at(600.0, 10.0), at(3600.0, 4.0)], usable_mah=1000.0, until_d=50.0, odds=0.5)
    [Rung(charge_left=0.5, sleep_s=3600.0)]
    """
    room = float(np.exp(ndtri(odds) * log_sd))
    rungs = []
    for before, after in itertools.pairwise(steps):
        needed = before.drain_mah_per_day.mid * until_d * room / usable_mah
        if after.settings.sleep_s is not None and after.drain_mah_per_day.mid < before.drain_mah_per_day.mid:
            rungs.append(Rung(float(needed), after.settings.sleep_s))
    return rungs


def interval_steps(
    model: SignalModel, now: BandSettings, profile: Profile, budget: Budget, *, wider_log_sd: float = 0.0
) -> list[WhatIf]:
    """What the node would do at the present and at each longer interval within its limits, all with its own band."""
    tried = (
        replace_settings(now, {} if s is None else {"sleep_s": s}) for s in intervals_tried(now.sleep_s, profile.limits)
    )
    return [what_if(model, now, settings, profile, budget, wider_log_sd=wider_log_sd) for settings in tried]
