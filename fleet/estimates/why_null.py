"""Why a figure is not known: a sentence for each missing column of each node."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from fleet.estimates.battery import BatteryState
from fleet.profiles.chemistry import Chemistry
from fleet.profiles.profile import Profile

NEVER_HEARD = "no record of this node has arrived"
NO_PROFILE = "the node's profile is not known: correct its name in the node list or add the profile"
NO_CHEMISTRY = "the node's kind of cell is not known: correct `cells` in the node list or the profile's chemistry"
ONE_RECORD = "one record tells of no span of time"
NO_VOLTAGE = "no battery readings: charge is counted only, and counting alone can't check the profile"
RECHARGED = "the battery is charged in the field: days left are days without sun, and no date of death is given"
NOT_TOLD = "nobody told when the battery went in, and no swap was seen"
NO_WAKES = "no wakes in the window"

_FIELD = ("drain_ratio", "floor_ua", "wake_cost_mc")
_COUNTS = ("wakes", "duty_main", "last_heard", "since")


def reasons(
    frame: pd.DataFrame,
    profile_of: Sequence[Profile | None],
    chemistry_of: Sequence[Chemistry | None],
    states: Sequence[BatteryState | None],
) -> list[dict[str, str]]:
    """For each node, missing result column → sentence.

    `frame` is the ESTIMATE frame without `why_null`; columns named `_lo` and `_hi` go by their figure.
    """
    names = [name for name in frame.columns if name not in ("node_id", "as_of", "recharged", "why_null")]
    missing = frame[names].isna().to_numpy()
    heard = frame["last_heard"].notna().to_numpy()
    recharged = frame["recharged"].to_numpy(bool)
    made: list[dict[str, str]] = []
    for line in range(len(frame)):
        whole = None if heard[line] else NEVER_HEARD
        made.append(
            {
                names[column]: whole
                or _why(names[column], profile_of[line], chemistry_of[line], states[line], recharged=recharged[line])
                for column in np.flatnonzero(missing[line])
            }
        )
    return made


def _why(
    name: str,
    profile: Profile | None,
    chemistry: Chemistry | None,
    state: BatteryState | None,
    *,
    recharged: bool,
) -> str:
    if name == "battery_from":
        return NOT_TOLD
    if name.startswith(_COUNTS):
        return ONE_RECORD if profile is not None or name.startswith("wakes") else NO_PROFILE
    if profile is None:
        return NO_PROFILE
    if name.startswith("dead_by") and recharged:
        return RECHARGED
    if chemistry is None:
        return NO_CHEMISTRY
    if name.startswith(_FIELD):
        return NO_VOLTAGE if state is not None and len(state.shown.mv) < 2 else NO_WAKES
    return ONE_RECORD
