"""The visit plan: joined rounds cost less, planned visits stand, nobody is served twice."""

from __future__ import annotations

import pytest

from reports.found import Found
from reports.model import ReportModel
from reports.plan import STOP_COST, TRIP_COST
from tests.reports.conftest import build
from tests.reports.fleet_of import fleet_of


@pytest.fixture(scope="module")
def unplanned() -> ReportModel:
    return build(fleet_of(60, visits=False))


def test_each_site_in_need_is_in_exactly_one_added_round(unplanned: ReportModel) -> None:
    needy = sorted({line.site for line in unplanned.nodes if line.state in ("due", "soon")})
    assert sorted(site for one in unplanned.rounds for site in one.sites) == needy


def test_sites_are_joined_where_a_stop_costs_less_than_a_trip(unplanned: ReportModel) -> None:
    assert STOP_COST < TRIP_COST
    assert len(unplanned.rounds) < len({site for one in unplanned.rounds for site in one.sites})


def test_planned_visits_are_rounds_and_added_ones_come_before_them(model: ReportModel) -> None:
    planned = [one for one in model.rounds if one.planned]
    assert sorted(site for one in planned for site in one.sites) == sorted(site.site for site in model.sites)
    first = min(one.day for one in planned)
    assert all(one.day < first for one in model.rounds if not one.planned)


def test_cells_of_all_rounds_together_are_the_cells_to_bring(model: ReportModel) -> None:
    total: dict[str, int] = {}
    for one in model.rounds:
        for kind, count in one.cells.items():
            total[kind] = total.get(kind, 0) + count
    assert dict(sorted(total.items())) == model.bring


def test_a_fleet_that_holds_needs_no_added_round(found: Found) -> None:
    from dataclasses import replace

    healthy = found.estimates.copy()
    for name in [name for name in healthy if name.startswith("dead_by")]:
        healthy[name] = 0.0
    for share in ("p10", "p50", "p90"):
        healthy[f"days_left_{share}"] = 3000.0
    assert [one for one in build(replace(found, estimates=healthy)).rounds if not one.planned] == []
