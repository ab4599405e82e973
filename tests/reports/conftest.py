"""One report of a small invented fleet, built once and shared by all tests that only read it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from reports.build import build_report
from reports.found import Found
from reports.model import CalendarEvent, ReportModel
from reports.positions import Line
from reports.weekly import Pages, weekly_pages
from tests.reports.fleet_of import AS_OF_AT, fleet_of

Build = Callable[..., ReportModel]


def build(
    found: Found,
    *,
    week: str = "2026-W48",
    earlier: tuple[CalendarEvent, ...] = (),
    positions: str = "exact",
    background: tuple[list[Line], str] = ([], ""),
) -> ReportModel:
    """A report of these frames, as of the fleet's moment."""
    return build_report(
        found,
        week=week,
        now_at=AS_OF_AT,
        title="Battery risk",
        timezone="Europe/Berlin",
        settings_digest="5e" * 32,
        version="0.1.0",
        earlier=earlier,
        positions=positions,
        background=background,
    )


@pytest.fixture(scope="session")
def found() -> Found:
    return fleet_of(40, seed=3)


@pytest.fixture(scope="session")
def model(found: Found) -> ReportModel:
    return build(found)


@pytest.fixture(scope="session")
def pages(model: ReportModel) -> Pages:
    return weekly_pages(model, "en")
