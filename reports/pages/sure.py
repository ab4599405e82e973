"""Page eight: how sure is this. Scores, nodes without estimate, records missing, assumptions, overrides, cautions."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from reports.dates import zone_of
from reports.model import ReportModel
from reports.say import Say, shown

REASONS = 12


def sure(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    found = model.sure
    return {
        "title": say("sure.title"),
        "lines": [_held(model, say), _records(model, say), *_counts(model, say)],
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


def _held(model: ReportModel, say: Say) -> str:
    found = model.sure
    if found.coverage is None:
        return say("sure.held_none")
    return say(
        "sure.held",
        share=say.level(found.coverage),
        lo=say.level(found.coverage_lo),
        hi=say.level(found.coverage_hi),
        forecasts=say.number(found.forecasts_count),
        ended=say.number(found.ended_count),
    )


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
