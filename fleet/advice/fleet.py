"""Advice for a whole fleet: one row a node that should change or be visited, and what-if for a single node."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Protocol

import numpy as np
import pandas as pd

from fleet.advice.alike import Wish, shared_settings
from fleet.advice.choose import Choice, Target, choose, evidence_missing, shortfall
from fleet.advice.drain import Budget, budget_from_estimate
from fleet.advice.evidence import SETTING_NAMES, Hists, NodeEvidence, node_evidence, settings_of
from fleet.advice.explain import explain
from fleet.advice.remedy import NONE, SETTINGS, VISIT, remedy_of, visit_sentence
from fleet.advice.search import Option, search, trade_off
from fleet.advice.signal import WINDOW_D, SignalModel, fit_signal
from fleet.advice.whatif import WhatIf, changed, what_if
from fleet.frames import ADVICE, empty_frame
from fleet.messages import BandSettings
from fleet.profiles.profile import Profile
from fleet.units import S_PER_D
from fleet.words import Flag

NO_BELIEF = {str(Flag.CLOCK_WRONG), str(Flag.IDS_CROSSED)}
CURVE_POINTS = 12


class HasNodes(Protocol):
    """Estimates of a fleet: here only the ESTIMATE frame is read."""

    @property
    def nodes(self) -> pd.DataFrame:
        """One row a node."""


@dataclass(frozen=True)
class Known:
    """All that is known of one node before advice: records, model, budget, its kind."""

    node_id: int
    seen: NodeEvidence
    model: SignalModel
    budget: Budget
    profile: Profile
    wider_log_sd: float


def advise_fleet(
    records: pd.DataFrame,
    hists: Hists,
    days: pd.DataFrame,
    estimates: HasNodes,
    flags: pd.DataFrame,
    *,
    nodes: pd.DataFrame,
    profiles: Mapping[str, Profile],
    settings: pd.DataFrame,
    target: Target,
    as_of_at: datetime,
    wider_log_sd: Mapping[int, float] | None = None,
) -> pd.DataFrame:
    """At most one advice a node.

    Parameters
    ----------
    records
        RECORD rows of the last weeks, any order.
    hists
        Histogram of a record's sleep by row label of `records`.
    days
        DAY rows; not read yet, kept for advice that needs more than the last weeks.
    estimates
        With the ESTIMATE frame in `nodes`.
    flags
        FLAG rows now open.
    nodes, profiles, settings
        NODE rows, profiles by name, SETTING rows.
    target
        What is wanted.
    as_of_at
        The moment of the analysis.
    wider_log_sd
        By node: spread by which past predictions were wrong.

    Returns
    -------
    ADVICE rows plus `curve` (list of results, dearest first) and `missing` (what evidence is lacking; empty if none).
    A node for which nothing is proposed has remedy "none" and says why in `sentence`.
    """
    del days
    rows = []
    plan = _Plan(target, as_of_at, [], {})
    by_node = _by_node(records)
    estimate_rows = _rows_by_node(estimates.nodes)
    open_flags = _flags_by_node(flags)
    own_settings = dict(list(settings.groupby("node_id"))) if len(settings) else {}
    for node in _dicts(nodes):
        node_id = int(node["node_id"])
        profile = profiles.get(str(node["profile"]))
        if profile is None or bool(node.get("retired", False)):
            continue
        mine = by_node.get(node_id)
        flagged = open_flags.get(node_id, set())
        missing = _missing(mine, flagged)
        if missing or mine is None:
            rows.append(_nothing(node_id, missing or "no record at all.", missing=missing))
            continue
        known = known_node(
            mine,
            own_settings.get(node_id, settings.iloc[:0]),
            node,
            profile,
            estimate_rows.get(node_id, {}),
            hists=hists,
            wider_log_sd=(wider_log_sd or {}).get(node_id, 0.0),
        )
        rows.append(_nothing(node_id, NO_READING, NO_READING) if known is None else _advise(known, flagged, plan))
    shared = shared_settings(plan.wishes)
    rows = [_with_like(row, plan, shared) for row in rows]
    columns = [*ADVICE, "curve", "missing"]
    return pd.DataFrame(rows, columns=columns) if rows else empty_frame({**ADVICE, "curve": "object", "missing": "str"})


@dataclass(frozen=True)
class _Plan:
    """What is wanted, and what nodes were to be given so far: their wishes and who they are."""

    target: Target
    as_of_at: datetime
    wishes: list[Wish]
    known: dict[int, tuple[Known, Option, Choice]]


def _with_like(row: dict[str, Any], plan: _Plan, shared: Mapping[int, BandSettings]) -> dict[str, Any]:
    """The row, with the setting that like nodes share in place of its own where it costs little."""
    node_id = int(row["node_id"])
    setting = shared.get(node_id)
    if setting is None or node_id not in plan.known:
        return row
    known, present, choice = plan.known[node_id]
    if choice.option is None or setting == choice.option.result.settings:
        return row
    other = replace(choice, option=Option(ask(known, _named(setting)), choice.option.changes_count))
    return row | settings_row(known, other, present)


def _named(settings: BandSettings) -> dict[str, float | None]:
    return {name: getattr(settings, name) for name in SETTING_NAMES}


NO_READING = "its records carry no banded reading or no settings, so no band can be tried. Send them with each wake."


def known_node(
    records: pd.DataFrame,
    settings: pd.DataFrame,
    node: Mapping[str, Any],
    profile: Profile,
    estimate: Mapping[str, Any],
    *,
    hists: Hists | None = None,
    wider_log_sd: float = 0.0,
    draws_count: int = 4,
    window_d: float = WINDOW_D,
) -> Known | None:
    """Evidence, model and budget of one node; None where its records can't carry a model.

    Parameters
    ----------
    records, settings
        Its RECORD and SETTING rows.
    node
        Its NODE row.
    profile
        Its kind.
    estimate
        Its ESTIMATE row; may be empty.
    window_d
        Days before the last record that predictions are drawn from: the more the truer, the longer it takes.
    """
    listed = {name: None if (v := node.get(name)) is None or pd.isna(v) else float(v) for name in SETTING_NAMES}
    seen = node_evidence(records, settings, settings_of(listed), hists=hists)
    if seen.now.sleep_s is None and (sleep_s := seen.timer_interval_s) is not None:
        seen = replace(seen, now=changed(seen.now, sleep_s=sleep_s))
    if np.isfinite(seen.reading).sum() < 20 or (seen.now.lo is None and seen.now.hi is None):
        return None
    rng = np.random.default_rng(int(node["node_id"]))
    model = fit_signal(seen, profile, rng=rng, draws_count=draws_count, window_d=window_d)
    budget = budget_from_estimate(estimate, profile, period_ms=seen.now.period_ms)
    return Known(int(node["node_id"]), seen, model, budget, profile, wider_log_sd)


def ask(known: Known, given: Mapping[str, float | None]) -> WhatIf:
    """What this node would do with the settings named; those not named stay."""
    new = changed(known.seen.now, **given)
    return what_if(known.model, known.seen.now, new, known.profile, known.budget, wider_log_sd=known.wider_log_sd)


def _advise(known: Known, flagged: set[str], plan: _Plan) -> dict[str, Any]:
    """The row of one node; what it is to be given is noted in the plan."""
    if remedy_of(flagged) != SETTINGS:
        return _nothing(known.node_id, visit_sentence(flagged)) | {"remedy": VISIT}
    options = search(known.model, known.seen.now, known.profile, known.budget, wider_log_sd=known.wider_log_sd)
    choice = choose(options, plan.target, as_of_at=plan.as_of_at)
    curve = [option.result.as_result() for option in trade_off(options)][:CURVE_POINTS]
    if choice.option is None:
        return _nothing(known.node_id, choice.why + ".") | {"curve": curve}
    row = settings_row(known, choice, options[0]) | {"curve": curve}
    light = _light(known)
    kind = (known.profile.profile, *_named(known.seen.now).values())
    plan.known[known.node_id] = (light, options[0], choice)
    plan.wishes.append(
        Wish(
            known.node_id,
            kind,
            choice.option.result,
            ask=lambda settings: ask(light, _named(settings)),
            reaches=lambda told: shortfall(told, plan.target, plan.as_of_at) <= 0,
        )
    )
    return row


def _light(known: Known) -> Known:
    """The same with one draw in half precision, to be kept until all nodes are through."""
    paths = replace(known.model.paths, x=known.model.paths.x[:1].astype(np.float32))
    return replace(known, model=replace(known.model, paths=paths))


def settings_row(known: Known, choice: Choice, present: Option) -> dict[str, Any]:
    """The ADVICE row that proposes the chosen settings, judged on all draws."""
    assert choice.option is not None
    final = ask(known, {name: getattr(choice.option.result.settings, name) for name in SETTING_NAMES})
    sentence = explain(known.seen, known.model, present.result, final, reached=choice.reached, why=choice.why)
    result = final.as_result()
    chosen = result.pop("set")
    row = {"node_id": known.node_id, **chosen, **result, "sentence": sentence, "remedy": SETTINGS}
    return row | {"missing": ""}


def _nothing(node_id: int, sentence: str, missing: str = "") -> dict[str, Any]:
    """A row that proposes no settings."""
    return {
        "node_id": node_id,
        "method": "",
        "sentence": sentence,
        "remedy": NONE,
        "curve": [],
        "missing": missing,
    }


def _missing(records: pd.DataFrame | None, flagged: set[str]) -> str:
    if records is None or not len(records):
        return evidence_missing(0, 0.0, flagged, reset_faults=NO_BELIEF)
    t = records["t"].to_numpy()
    return evidence_missing(len(t), float(np.ptp(t)) / S_PER_D, flagged, reset_faults=NO_BELIEF)


def _by_node(records: pd.DataFrame) -> dict[int, pd.DataFrame]:
    """Records of each node, cut from one sort."""
    if not len(records):
        return {}
    ids = records["node_id"].to_numpy()
    if (np.diff(ids) < 0).any():
        records = records.iloc[np.argsort(ids, kind="stable")]
        ids = records["node_id"].to_numpy()
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(ids)) + 1, [len(ids)]])
    return {int(ids[a]): records.iloc[a:b] for a, b in itertools.pairwise(cuts)}


def _rows_by_node(frame: pd.DataFrame) -> dict[int, dict[str, Any]]:
    return {int(row["node_id"]): row for row in _dicts(frame)}


def _dicts(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def _flags_by_node(flags: pd.DataFrame) -> dict[int, set[str]]:
    found: dict[int, set[str]] = {}
    for node_id, flag in zip(flags["node_id"], flags["flag"], strict=True):
        found.setdefault(int(node_id), set()).add(str(flag))
    return found
