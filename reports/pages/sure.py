"""Page eight: how sure is this. Scores, nodes without estimate, records missing, assumptions, overrides, cautions."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from fleet.estimates.scorecard import NODES_FOR_CORRECTION
from reports.dates import zone_of
from reports.model import ReportModel
from reports.say import Say, shown

REASONS = 12
FEW_WIDTH = 0.5
"""Limits of a share wider than this say that it rests on too few lives."""


def sure(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    found = model.sure
    return {
        "title": say("sure.title"),
        "lines": [held(model, say), _correction(model, say), _records(model, say), *_counts(model, say)],
        "overrides_title": say("sure.overrides_title"),
        "overrides": [
            [shown(one.node), shown(one.text, 200), say.day(one.since_day) if one.since_day else "–"]
            for one in found.overrides
        ],
        "overrides_columns": [say(f"columns.{name}") for name in ("node", "reason", "since")],
        "overrides_none": say("sure.overrides_none"),
        "unsure_title": say("sure.unsure"),
        "unsure": [
            [_reason(reason, say), say.number(count)]
            for reason, count in sorted(found.unsure.items(), key=lambda item: (-item[1], item[0]))[:REASONS]
        ],
        "unsure_columns": [say("columns.reason"), say("columns.nodes")],
        "unsure_none": say("sure.unsure_none"),
        "assumptions_title": say("sure.assumptions"),
        "assumptions": [
            say(f"sure.{key}")
            for key in ("assume_flat", "assume_same", "assume_risk", *(["assume_dates"] if found.assumed_dates else []))
        ],
        "cautions_title": say("sure.cautions"),
        "cautions": [say(f"sure.caution_{key}") for key in ("cells", "alarm", "radio")],
        "made": made(model, say),
    }


def made(model: ReportModel, say: Say) -> str:
    """What the report was made from; its time stamp is the data's."""
    at = datetime.fromtimestamp(model.as_of, UTC).astimezone(zone_of(model.timezone))
    return say(
        "sure.made",
        moment=say.moment(at),
        version=model.version,
        settings=model.settings_digest[:12],
        data=model.data_digest[:12],
        report=model.report_id,
    )


def _reason(reason: str, say: Say) -> str:
    return {"silent": say("sure.reason_silent"), "never_heard": say("sure.reason_never")}.get(
        reason, shown(reason, 120)
    )


def held(model: ReportModel, say: Say) -> str:
    """How many of the past ranges held, in one sentence."""
    found = model.sure
    if found.coverage is None:
        return say("sure.held_none")
    few = (found.coverage_hi or 1.0) - (found.coverage_lo or 0.0) > FEW_WIDTH
    return say(
        "sure.held_few" if few else "sure.held",
        share=say.level(found.coverage),
        lo=say.level(found.coverage_lo),
        hi=say.level(found.coverage_hi),
        forecasts=say.number(found.forecasts_count),
        ended=say("sure.ended", count=found.ended_count),
    )


def _correction(model: ReportModel, say: Say) -> str:
    if model.sure.correction is None:
        return say("sure.correction_none", needed=say.number(NODES_FOR_CORRECTION))
    ended = say("sure.ended", count=model.sure.ended_count)
    return say("sure.correction", factor=say.number(model.sure.correction, 2), ended=ended)


def _records(model: ReportModel, say: Say) -> str:
    seen, missing = model.sure.records_seen, model.sure.records_missing
    if seen is None or missing is None:
        return say("sure.records_none")
    share = say.level(missing / (seen + missing)) if seen + missing else "–"
    return say("sure.records", seen=say.number(seen), missing=say.number(missing), share=share)


def _counts(model: ReportModel, say: Say) -> list[str]:
    found, out = model.sure, []
    if found.set_aside_count is not None:
        out.append(say("sure.set_aside", count=found.set_aside_count))
    if found.overrides_count is not None:
        out.append(say("sure.overrides", count=found.overrides_count))
    out.append(say("sure.audit", head=found.audit_head) if found.audit_head else say("sure.audit_none"))
    return out
