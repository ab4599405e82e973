"""A simulated fleet's set-up as a person would have written it: NODE and EVENT frames."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fleet.demo.lives import NodeLife
from fleet.demo.spec import FaultKind
from fleet.frames import EVENT, NODE
from fleet.units import S_PER_D


def node_frame(lives: tuple[NodeLife, ...]) -> pd.DataFrame:
    """NODE frame, with the columns `key_file`, `note` and `cells` beside it as `read_nodes` gives them."""
    rows = []
    for number, life in enumerate(lives, start=1):
        spec, settings = life.world.spec, life.world.spec.settings
        rows.append(
            {
                "node_id": number,
                "node": spec.node,
                "site": spec.creek.name,
                "profile": spec.profile.profile,
                "chemistry": spec.profile.battery.chemistry,
                "latitude": spec.creek.latitude,
                "longitude": spec.creek.longitude,
                "timezone": "Europe/London",
                "fitted": np.round(life.stretches[0].begun.fitted_s),
                "banded_reading": spec.profile.banded.reading if spec.profile.banded else "",
                **{name: getattr(settings, name) for name in ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")},
                "retired": False,
                "known": True,
                "key_file": "",
                "note": "",
                "cells": "",
            }
        )
    return pd.DataFrame(rows, columns=[*NODE, "key_file", "note", "cells"]).astype(NODE)


def event_frame(lives: tuple[NodeLife, ...]) -> pd.DataFrame:
    """EVENT frame: told swaps."""
    rows = [
        (number, life.world.since_s + fault.onset_d * S_PER_D, "swap", "cells changed")
        for number, life in enumerate(lives, start=1)
        for fault in life.world.spec.faults
        if fault.kind is FaultKind.SWAP_TOLD
    ]
    return pd.DataFrame(rows, columns=list(EVENT)).astype(EVENT)
