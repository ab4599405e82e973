"""What nodes would do under settings that somebody asks about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from fleet.advice.fleet import Known, ask, known_node
from fleet.errors import EstimateError
from fleet.jobs.analyse import Evidence
from fleet.jobs.deployment import Deployment
from fleet.messages import BandSettings
from fleet.store.results import rows_of

NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
WINDOW_D = 92.0
"""A question about one node is answered from all that it told; a search through a fleet from the last weeks."""
NOT_ENOUGH = "its records carry no model of the reading: no settings, or fewer than 20 readings"


def what_if_answers(
    asked: Iterable[tuple[str, BandSettings]], evidence: Evidence, estimates: pd.DataFrame, deployment: Deployment
) -> dict[str, list[dict[str, Any]]]:
    """Answers in the contract's form, by node, in the order of the questions; what can't be known is None."""
    nodes = {str(row["node"]): row for row in rows_of(deployment.nodes)}
    estimated = {int(row["node_id"]): row for row in rows_of(estimates)}
    models: dict[str, Known | None] = {}
    answers: dict[str, list[dict[str, Any]]] = {}
    for node, wanted in asked:
        if node not in nodes:
            continue
        if node not in models:
            estimate = estimated.get(int(nodes[node]["node_id"]), {})
            models[node] = known_of_node(nodes[node], estimate, evidence, deployment)
        answers.setdefault(node, []).append(_answer(models[node], wanted))
    return answers


def known_of_node(
    node: Mapping[str, Any], estimate: Mapping[str, Any], evidence: Evidence, deployment: Deployment
) -> Known | None:
    """Model and budget of one node from its NODE and ESTIMATE rows; None where its records can't carry a model."""
    node_id = int(node["node_id"])
    profile = deployment.profiles.get(str(node["profile"]))
    records = evidence.records[evidence.records["node_id"] == node_id]
    if profile is None or not len(records):
        return None
    settings = evidence.settings[evidence.settings["node_id"] == node_id]
    wider = evidence.wider_log_sd.get(node_id, 0.0)
    return known_node(
        records, settings, node, profile, estimate, hists=evidence.hists, wider_log_sd=wider, window_d=WINDOW_D
    )


def _answer(known: Known | None, wanted: BandSettings) -> dict[str, Any]:
    given = {name: getattr(wanted, name) for name in NAMES}
    if known is None:
        return {"set": given} | dict.fromkeys(_figures()) | {"method": NOT_ENOUGH}
    try:
        return ask(known, given).as_result()
    except EstimateError as why:
        return {"set": given} | dict.fromkeys(_figures()) | {"method": str(why)}


def _figures() -> list[str]:
    ranged = ("wakes_per_day", "drain_mah_per_day", "events_seen")
    return [
        *(f"{what}{end}" for what in ranged for end in ("", "_lo", "_hi")),
        "days_left_p10",
        "days_left_p50",
        "days_left_p90",
    ]
