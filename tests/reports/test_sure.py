"""What certainty rests on: overrides until undone, ranges corrected by the past, last week's forecast, plain facts."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from fleet.estimates.scorecard import NODES_FOR_CORRECTION, corrected
from fleet.store.engine import Store, open_store
from fleet.store.for_report import overrides
from fleet.store.setup import write_nodes
from fleet.store.tables import ORDERS
from reports.build_changes import count_range
from reports.charts.ladder import ladder
from reports.found import Found
from reports.model import NodeLine, ReportModel
from reports.pages.changes import changes
from reports.pages.front import ladder_row
from reports.pages.panels import panel
from reports.pages.sure import sure
from reports.say import say
from tests.reports.conftest import build
from tests.reports.fleet_of import AS_OF_AT, fleet_of

AS_OF = AS_OF_AT.timestamp()


def test_overrides_are_listed_until_they_are_undone() -> None:
    """Of one order in force, one put back and one without override, the first is listed."""
    store: Store
    with open_store("sqlite://") as store:
        write_nodes(store, fleet_of(3).nodes)
        rows = [
            {"node_id": node_id, "rev": 1, "kind": "band", "state": state, "state_at": AS_OF, "override_reason": why}
            for node_id, state, why in ((1, "in_force", "storm"), (2, "put_back", "storm"), (3, "in_force", None))
        ]
        with store.write() as conn:
            conn.execute(ORDERS.insert(), rows)
        found = overrides(store)
    assert [(row["text"], row["since"]) for row in found] == [("storm", AS_OF)]


def test_the_last_page_names_each_override_with_its_day() -> None:
    found = replace(fleet_of(3), overrides=[{"node": "x[/b]", "text": "interval overridden: storm", "since": AS_OF}])
    page = sure(build(found), say("en"))
    assert page["overrides"] == [["x[/b]", "interval overridden: storm", "23\u00a0Nov\u00a02026"]]
    assert sure(build(fleet_of(3)), say("en"))["overrides"] == []


def scored(correction: float) -> dict[str, float]:
    return {
        "coverage": 0.6, "coverage_lo": 0.5, "coverage_hi": 0.7, "nodes_ended": 30, "forecasts": 400,
        "correction": correction,
    }  # fmt: skip


def test_a_correction_is_shown_and_one_that_can_not_be_told_too() -> None:
    lines = sure(build(replace(fleet_of(3), scores=scored(1.4))), say("en"))["lines"]
    assert any("1.40 times as wide" in line and "30 batteries" in line for line in lines)
    model = build(replace(fleet_of(3), scores=scored(float("nan"))))
    assert model.sure.correction is None
    assert any(f"from {NODES_FOR_CORRECTION} ended batteries" in line for line in sure(model, say("en"))["lines"])


def test_corrected_estimates_give_wider_dates_about_the_same_middle(found: Found) -> None:
    """A factor above one moves P10 down and P90 up, and leaves P50."""
    wide = build(replace(found, estimates=corrected(found.estimates, 1.5)))
    plain = {line.node_id: line for line in build(found).nodes if line.days_left_p50 is not None}
    for line in wide.nodes:
        if line.node_id in plain:
            was = plain[line.node_id]
            assert line.days_left_p50 == was.days_left_p50
            assert (line.days_left_p10 or 0) < (was.days_left_p10 or 0)
            assert (line.days_left_p90 or 0) > (was.days_left_p90 or 0)


def test_few_ended_batteries_are_called_too_few() -> None:
    few = scored(float("nan")) | {"coverage_lo": 0.0, "coverage_hi": 0.99, "nodes_ended": 1}
    line = sure(build(replace(fleet_of(3), scores=few)), say("en"))["lines"][0]
    assert line.startswith("Too few batteries") and "1 battery followed" in line


def test_how_many_of_independent_events_come_true() -> None:
    """Twenty of one in ten. By hand: P(0) = 0.9^20 = 0.1216, above 0.1, so P10 is 0; the sums of the first four and
    five terms 20!/(k!(20-k)!) 0.1^k 0.9^(20-k) are 0.8670 and 0.9568, so P90 is 4.
    """
    assert count_range(np.full(20, 0.1)) == (0, 4)
    assert count_range(np.array([])) == (0, 0)


@pytest.mark.parametrize(("seen", "verdict"), [(0, "fewer"), (2, "as forecast"), (5, "more")])
def test_last_week_is_judged_against_its_own_range(model: ReportModel, seen: int, verdict: str) -> None:
    week = msgspec.structs.replace(
        model.sure, flat_forecast=2.2, flat_forecast_lo=1, flat_forecast_hi=4, flat_seen=seen
    )
    sentence = changes(msgspec.structs.replace(model, sure=week), say("en"))["forecast"]
    assert verdict in sentence and "1 to 4 in eight cases of ten" in sentence


def test_a_node_silent_long_before_last_week_is_no_forecast_of_it(found: Found) -> None:
    """All nodes of the week before were last heard a month before it: nothing was forecast."""
    before = found.before.assign(last_heard=found.before["last_heard"] - 30 * 86400)
    assert build(replace(found, before=before)).sure.flat_forecast == 0


def silent(model: ReportModel) -> NodeLine:
    line = next(line for line in model.nodes if line.state == "due")
    return msgspec.structs.replace(line, silent_since_day="2026-11-04", days_left_p50=0.3, lasts_next=0.001)


def test_a_silent_flat_node_says_so_and_not_under_one_per_cent(model: ReportModel) -> None:
    line, words = silent(model), say("en")
    site = next(site for site in model.sites if site.site == line.site)
    assert ladder_row(line, words)["cells"][5] == "silent since 4\u00a0Nov"
    drawn = str(ladder([line], {site.site: site}, model.as_of, words, 570))
    assert "silent since 4" in drawn and "under 1" not in drawn
    shown = panel(0, line, site, model.as_of, words)
    assert "has been silent since 4\u00a0Nov" in shown["headline"]
    assert shown["facts"][0]["name"] == "Silent since"
