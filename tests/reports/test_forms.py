"""CSV, iCalendar, GeoJSON, text and mail, each held against its published rules."""

from __future__ import annotations

import csv
import email
import io
import json
from email.policy import default
from typing import Any

import icalendar
import msgspec
import pytest

from reports.as_csv import COLUMNS, as_csv
from reports.as_geojson import as_geojson
from reports.as_ics import as_ics
from reports.as_mail import message_id
from reports.as_text import as_text
from reports.build_calendar import calendar_of
from reports.model import ReportModel
from reports.weekly import Pages
from reports.write import report_files


def test_csv_has_one_row_a_node_and_ends_lines_with_crlf(model: ReportModel) -> None:
    """RFC 4180 §2: lines end in CRLF (1), an optional header line (3), the same number of fields in each (4)."""
    text = as_csv(model)
    assert text.count("\n") == text.count("\r\n")
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == list(COLUMNS)
    assert {len(row) for row in rows} == {len(COLUMNS)}
    assert [row[0] for row in rows[1:]] == [line.node for line in model.nodes]


def test_csv_leaves_empty_what_is_not_known(model: ReportModel) -> None:
    rows = csv.DictReader(io.StringIO(as_csv(model)))
    unsure = [row for row in rows if row["state"] == "unsure"]
    assert unsure
    assert {row["days_left_p50"] for row in unsure} == {""}


def events_of(text: str) -> list[Any]:
    return icalendar.Calendar.from_ical(text).walk("VEVENT")


def test_calendar_has_an_all_day_event_a_planned_round_and_site(model: ReportModel) -> None:
    """RFC 5545 §3.6.1: DTSTART of type DATE is an all-day event; DTEND is not included in it. Parsed by icalendar."""
    found = events_of(as_ics(model, "en"))
    assert len(found) == len(model.sites)
    for event in found:
        assert (event.decoded("DTEND") - event.decoded("DTSTART")).days == 1
        assert event.decoded("DTSTART").isoformat() == "2026-12-09"
        assert event["STATUS"] == "CONFIRMED"


def test_calendar_lines_are_folded_and_end_in_crlf(model: ReportModel) -> None:
    """RFC 5545 §3.1: lines SHOULD NOT be longer than 75 octets, and are delimited by CRLF."""
    text = as_ics(model, "de")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
    assert "\n" not in text.replace("\r\n", "")


def test_a_changed_visit_keeps_its_uid_and_raises_its_sequence(model: ReportModel) -> None:
    """RFC 5545 §3.8.7.4: SEQUENCE rises with each significant revision; §3.8.4.7: UID is persistent."""
    first = model.calendar
    changed = [msgspec.structs.replace(site, bring={"alkaline": 99}) for site in model.sites]
    again = calendar_of(model.rounds, model.sites, first, as_of_day=model.as_of_day)
    after = calendar_of(model.rounds, changed, first, as_of_day=model.as_of_day)
    assert again == first
    assert [event.uid for event in after] == [event.uid for event in first]
    assert {event.sequence for event in after} == {1}


def test_a_dropped_visit_stays_as_cancelled_until_its_day(model: ReportModel) -> None:
    """RFC 5545 §3.8.1.11: STATUS CANCELLED."""
    gone = calendar_of([], model.sites, model.calendar, as_of_day=model.as_of_day)
    assert {(event.cancelled, event.sequence) for event in gone} == {(True, 1)}
    shown = events_of(as_ics(msgspec.structs.replace(model, calendar=gone), "en"))
    assert {event["STATUS"] for event in shown} == {"CANCELLED"}
    assert calendar_of([], model.sites, gone, as_of_day=model.as_of_day) == gone
    assert calendar_of([], model.sites, gone, as_of_day="2026-12-10") == []


def test_geojson_is_a_collection_with_longitude_first(model: ReportModel) -> None:
    """RFC 7946 §3.1.1: longitude and latitude, in that order; §3.3: a FeatureCollection; §3.2: geometry may be null."""
    found = json.loads(as_geojson(model))
    assert found["type"] == "FeatureCollection"
    assert len(found["features"]) == len(model.sites)
    for feature in found["features"]:
        longitude, latitude = feature["geometry"]["coordinates"]
        assert 8 < longitude < 9 < 53 < latitude < 55
    nowhere = [msgspec.structs.replace(line, latitude=None) for line in model.nodes]
    assert json.loads(as_geojson(msgspec.structs.replace(model, nodes=nowhere)))["features"][0]["geometry"] is None


def test_text_says_the_headline_and_every_count(pages: Pages) -> None:
    text = as_text(pages)
    assert pages["front"]["headline"] in text.replace("\n", " ")
    assert all(count["n"] in text for count in pages["front"]["counts"])


@pytest.fixture(scope="module")
def mail(model: ReportModel) -> Any:
    made = report_files(model, "en", sender="ledger@example.org", recipients=["crew@example.org"])["report.eml"]
    return email.message_from_bytes(made, policy=default)


def test_mail_has_text_first_then_html_with_the_picture_and_four_attachments(model: ReportModel, mail: Any) -> None:
    """RFC 2046 §5.1.4: the alternatives stand in order of increasing preference; RFC 2392: cid of a part."""
    kinds = [part.get_content_type() for part in mail.walk()]
    assert kinds[:4] == ["multipart/mixed", "multipart/alternative", "text/plain", "multipart/related"]
    assert [part.get_filename() for part in mail.iter_attachments()] == [
        "report.html", "report.pdf", "nodes.csv", "visits.ics",
    ]  # fmt: skip
    assert 'src="cid:ladder@wakeledger"' in mail.get_body(("html",)).get_content()
    assert mail["Message-ID"] == message_id(model)
    assert not mail.defects
