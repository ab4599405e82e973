"""What a report is built from: the frames of one analysis, and what stands beside them in the store."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import pandas as pd

from fleet.frames import ADVICE, CHARGE, DAY, ESTIMATE, EVENT, FLAG, NODE, OUTLOOK, RECORD, empty_frame


@dataclass(frozen=True)
class Found:
    """Frames as `fleet.frames` has them.

    `before` are the estimates of the week before, `orders` has node_id, state, state_at and rev, `records` at least
    node_id, t and cause of the nodes that wake most, `cells_per_node` counts cells by profile.
    """

    nodes: pd.DataFrame = field(default_factory=partial(empty_frame, NODE))
    estimates: pd.DataFrame = field(default_factory=partial(empty_frame, ESTIMATE))
    charge: pd.DataFrame = field(default_factory=partial(empty_frame, CHARGE))
    outlook: pd.DataFrame = field(default_factory=partial(empty_frame, OUTLOOK))
    flags: pd.DataFrame = field(default_factory=partial(empty_frame, FLAG))
    advice: pd.DataFrame = field(default_factory=partial(empty_frame, ADVICE))
    days: pd.DataFrame = field(default_factory=partial(empty_frame, DAY))
    events: pd.DataFrame = field(default_factory=partial(empty_frame, EVENT))
    before: pd.DataFrame = field(default_factory=partial(empty_frame, ESTIMATE))
    records: pd.DataFrame = field(default_factory=partial(empty_frame, RECORD))
    orders: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["node_id", "state", "state_at", "rev"]))
    cells_per_node: Mapping[str, int] = field(default_factory=dict)
    set_aside_count: int | None = None
    overrides_count: int | None = None
    overrides: Sequence[Mapping[str, Any]] = ()
    """Orders past a limit that nobody has undone: node, text, since [s since 1970]."""
    audit_head: str | None = None
    scores: Mapping[str, float] = field(default_factory=dict)
    """Past forecasts against what happened: coverage, coverage_lo, coverage_hi, nodes_ended, forecasts, correction.

    `correction` is the factor that the estimates' ranges were widened by; without it they stand as estimated.
    """
