"""The one shot: recordings in, one result object per node and moment out; no broker, no database."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from fleet.daily.rollup import roll_up
from fleet.errors import SetupError
from fleet.frames import DAY, RECORD, SETTING
from fleet.jobs.analyse import RECORDS_FOR_ADVICE_D, Evidence, Findings, analyse
from fleet.jobs.deployment import Deployment
from fleet.jobs.what_if import what_if_answers
from fleet.messages import BandSettings
from fleet.store.findings import as_results
from fleet.store.orders import no_orders
from fleet.units import S_PER_D
from fleet.wire_records import Recorded, read_recordings


@dataclass(frozen=True)
class WhatIfAsked:
    """One line of `whatif.json`: a node and the settings to try."""

    node: str
    settings: BandSettings


def read_what_if(path: Path) -> list[WhatIfAsked]:
    """The questions of a `whatif.json`.

    Raises
    ------
    SetupError
        If the file can't be read or is not an array of `{"node", "set"}`.
    """
    try:
        asked = msgspec.json.decode(path.read_bytes())
        return [WhatIfAsked(str(one["node"]), msgspec.convert(one["set"], BandSettings)) for one in asked]
    except OSError as why:
        raise SetupError(f"{path}: can't be read: {why.strerror}.") from why
    except (msgspec.MsgspecError, KeyError, TypeError) as why:
        raise SetupError(
            f'{path}: {why}; expected [{{"node": "…", "set": {{"lo": …}}}}]. Mend the file, see the results contract.'
        ) from why


def assess(
    recordings: Sequence[Path],
    deployment: Deployment,
    *,
    as_of_at: Iterable[datetime],
    asked: Sequence[WhatIfAsked] = (),
) -> tuple[list[dict[str, Any]], list[str]]:
    """One object per node and moment (without a moment: as of the last arrival), and what was set aside or unknown."""
    nodes = deployment.nodes
    banded = {name: reading for name, reading in zip(nodes["node"], nodes["banded_reading"], strict=True) if reading}
    ids = dict(zip(nodes["node"], nodes["node_id"].astype(int), strict=True))
    recorded = read_recordings(recordings, node_ids=ids, banded=banded)
    notes = [f"set aside: {one.topic or 'line'}: {one.detail}" for one in recorded.asides]
    notes += [f"{name}: not in the node list, left out" for name in sorted(recorded.node_ids.keys() - ids.keys())]
    results: list[dict[str, Any]] = []
    for moment in list(as_of_at) or [_last_arrival(recorded)]:
        evidence = evidence_at(recorded, moment)
        findings = analyse(evidence, deployment, as_of_at=moment)
        results += objects_of(findings, evidence, deployment, asked)
    return results, notes


def _last_arrival(recorded: Recorded) -> datetime:
    if not len(recorded.records):
        raise SetupError("no recording holds a wake record. Look at the set-aside lines on standard error.")
    return datetime.fromtimestamp(float(np.ceil(recorded.last_arrived)), UTC)


def evidence_at(recorded: Recorded, moment: datetime) -> Evidence:
    """What had arrived by a moment."""
    arrived = recorded.records[recorded.records["arrived"] <= moment.timestamp()]
    settings = {name: recorded.settings[name].to_numpy() for name in SETTING}
    days = pd.DataFrame(roll_up({name: arrived[name].to_numpy() for name in RECORD}, settings), columns=list(DAY))
    recent = arrived[arrived["t"] >= moment.timestamp() - RECORDS_FOR_ADVICE_D * S_PER_D]
    hists = {row: recorded.hists[row] for row in recent.index if row in recorded.hists}
    return Evidence(days, recent, recorded.settings, no_orders(), hists)


def objects_of(
    findings: Findings, evidence: Evidence, deployment: Deployment, asked: Sequence[WhatIfAsked]
) -> list[dict[str, Any]]:
    """The results contract's objects of one moment."""
    pairs = [(one.node, one.settings) for one in asked]
    answers = what_if_answers(pairs, evidence, findings.estimates.nodes, deployment)
    return as_results(
        findings.estimates.nodes,
        deployment.nodes,
        findings.flags,
        findings.advice,
        evidence.orders,
        what_if=answers if asked else None,
    )
