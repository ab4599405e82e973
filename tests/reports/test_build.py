"""The report model: states, order, what is not known, and fleets of every size."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from reports.build_nodes import parts_of, state_of
from reports.found import Found
from reports.model import STATES, ReportModel
from reports.pages.front import headline
from reports.say import say
from reports.weekly import weekly_pages
from reports.write import model_json, report_files
from tests.reports.conftest import build
from tests.reports.fleet_of import fleet_of


def test_a_node_is_due_from_one_chance_in_ten_before_the_next_visit() -> None:
    assert [state_of(*odds) for odds in ((0.9, 0.1), (0.91, 0.9), (0.99, 0.91), (None, None))] == [
        "due", "soon", "holds", "unsure",
    ]  # fmt: skip


def test_nodes_stand_in_the_order_in_which_they_need_a_person(model: ReportModel) -> None:
    order = [(STATES.index(line.state), line.days_left_p10 or np.inf) for line in model.nodes]
    assert order == sorted(order)


def test_what_is_not_known_is_null_and_never_zero(found: Found, model: ReportModel) -> None:
    unknown = set(found.estimates.loc[found.estimates["days_left_p50"].isna(), "node_id"])
    for line in model.nodes:
        if line.node_id in unknown:
            assert (line.state, line.days_left_p50, line.lasts_next, line.day_p10) == ("unsure", None, None, None)
            assert line.why_unsure


def test_unaccounted_charge_is_what_lies_beyond_the_parts() -> None:
    """A ratio of 1.5 over parts of 2 mAh a day leaves 1 mAh a day unexplained."""
    row = {f"part_{name}": 0.5 for name in ("sleep", "coprocessor", "radio", "self_discharge")} | {"drain_ratio": 1.5}
    from fleet.words import Cause

    row |= {f"part_wake_{cause.word}": np.nan for cause in Cause}
    parts = parts_of(row)
    assert parts["unaccounted"] == pytest.approx(1.0)
    assert parts["wake_band"] is None
    assert parts_of(row | {"drain_ratio": np.nan})["unaccounted"] is None


def test_the_model_is_plain_and_comes_back_from_json(model: ReportModel) -> None:
    assert msgspec.json.decode(model_json(model), type=ReportModel) == model


def test_the_same_frames_give_the_same_bytes() -> None:
    one, other = (report_files(build(fleet_of(12)), "en") for _ in range(2))
    assert one == other


def test_an_empty_fleet_has_a_report_that_says_what_to_do_next() -> None:
    model = build(Found())
    assert headline(model, say("en")) == "No node has been heard of yet"
    assert report_files(model, "en")["report.pdf"].startswith(b"%PDF")


@pytest.mark.parametrize("language", ["en", "de"])
def test_one_node_has_a_report(language: str) -> None:
    model = build(fleet_of(1))
    assert model.node_count == 1
    assert report_files(model, language)["report.html"]


def test_without_visits_the_report_says_so_and_proposes_rounds() -> None:
    model = build(fleet_of(30, visits=False))
    pages = weekly_pages(model, "en")
    assert "six weeks" in pages["front"]["headline"]
    assert say("en")("front.lead_unplanned") in pages["front"]["lead"]
    assert model.rounds and not any(one.planned for one in model.rounds)
    assert model.sure.assumed_dates


def test_retired_nodes_are_left_out(found: Found) -> None:
    nodes = found.nodes.assign(retired=found.nodes["node_id"] == 1)
    assert build(replace(found, nodes=nodes)).node_count == len(nodes) - 1


def test_headline_numbers_are_the_counts(model: ReportModel) -> None:
    text = headline(model, say("en"))
    assert str(model.by_state["soon"]) in text
    assert text.startswith(str(model.by_state["due"]) if model.by_state["due"] else "No node")


def test_all_estimates_missing_is_a_report_of_its_own() -> None:
    found = fleet_of(5)
    model = build(replace(found, estimates=found.estimates.iloc[:0], before=found.before.iloc[:0]))
    assert model.by_state["unsure"] == 5
    assert report_files(model, "de")["report.html"]
