"""Positions as far as a report may say them, and lines behind the map."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from reports.as_geojson import as_geojson
from reports.charts.sketch import sketch
from reports.found import Found
from reports.pages.sites import sites
from reports.positions import BLUR_DEG, POINTS, read_background
from reports.say import say
from reports.write import report_files
from tests.reports.conftest import build
from tests.reports.fleet_of import fleet_of

RIVER = {"type": "LineString", "coordinates": [[8.5, 54.0], [8.6, 54.02, 3.0], [8.7, 54.1]]}


def write(folder: Path, value: object) -> Path:
    (folder / "background.geojson").write_text(json.dumps(value), encoding="utf-8")
    return folder


def test_lines_and_edges_are_taken_from_every_kind_that_has_them(tmp_path: Path) -> None:
    """RFC 7946 §3.1: positions are longitude, latitude and perhaps altitude; §3.2 and §3.3: features may be empty."""
    ring = [[8.0, 54.0], [8.1, 54.0], [8.1, 54.1], [8.0, 54.0]]
    found = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": {}, "geometry": RIVER},
            {"type": "Feature", "properties": None, "geometry": None},
            {"type": "Feature", "properties": {}, "geometry": {"type": "Point", "coordinates": [8.0, 54.0]}},
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "MultiPolygon", "coordinates": [[ring], [ring]]},
            },
            {"type": "Feature", "properties": {}, "geometry": {"type": "GeometryCollection", "geometries": [RIVER]}},
        ],
    }
    lines, why = read_background(write(tmp_path, found))
    assert (len(lines), why) == (4, "")
    assert lines[0] == [(8.5, 54.0), (8.6, 54.02), (8.7, 54.1)]


@pytest.mark.parametrize(
    "value",
    [[], {}, {"type": "LineString"}, {"type": "LineString", "coordinates": [["a", 1]]}, {"type": "Point"},
     {"type": "LineString", "coordinates": [[54.0, 954.0], [8.0, 54.0]]}],
)  # fmt: skip
def test_a_broken_file_is_set_aside(tmp_path: Path, value: object) -> None:
    lines, why = read_background(write(tmp_path, value))
    assert lines == [] and why.startswith("background.geojson: ")


def test_the_map_says_why_it_has_no_background() -> None:
    why = "background.geojson: holds no line"
    assert why in sites(build(fleet_of(4), background=([], why)), say("en"))["map"]["note"]


def test_no_file_is_no_fault_and_a_long_line_is_thinned(tmp_path: Path) -> None:
    assert read_background(tmp_path) == ([], "")
    long = [[8 + step / 1e5, 54.0] for step in range(POINTS * 3)]
    lines, _ = read_background(write(tmp_path, {"type": "LineString", "coordinates": long}))
    assert len(lines[0]) <= POINTS + 1 and lines[0][-1] == tuple(long[-1])


def test_background_lines_are_drawn_under_exact_positions_only(found: Found) -> None:
    line = [[(8.5, 54.0), (8.7, 54.1)]]
    for positions, count in (("exact", 1), ("blurred", 0), ("none", 0)):
        assert len(build(found, positions=positions, background=(line, "")).background) == count
    model = build(found, background=(line, ""))
    bare, drawn = (str(sketch(model.nodes, say("en"), 800, lines)) for lines in ((), model.background))
    assert "'type': 'line'" in drawn and "'type': 'line'" not in bare


def test_blurred_positions_are_grid_middles_in_every_form() -> None:
    found = fleet_of(5)
    model = build(found, positions="blurred")
    for value in [line.latitude for line in model.nodes] + [line.longitude for line in model.nodes]:
        assert value is not None and (value / BLUR_DEG - 0.5) == pytest.approx(round(value / BLUR_DEG - 0.5), abs=1e-6)
    assert "11 km" in sites(model, say("en"))["map"]["note"]
    exact = {str(value) for name in ("latitude", "longitude") for value in found.nodes[name].round(4)}
    files = report_files(model, "en")
    assert not [value for value in exact if any(value in text.decode("latin-1") for text in files.values())]


def test_positions_left_out_are_in_no_form(found: Found) -> None:
    model = build(found, positions="none")
    assert {line.latitude for line in model.nodes} == {None}
    assert sites(model, say("de"))["map"]["picture"] is None
    assert {feature["geometry"] for feature in json.loads(as_geojson(model))["features"]} == {None}


def test_no_mark_hides_another_at_a_site_of_one_spot(found: Found) -> None:
    """Forty nodes of one position: all marks differ in place."""
    nodes = found.nodes.assign(latitude=54.0, longitude=8.6, site="Alder weir")
    spec = sketch(build(Found(nodes=nodes, estimates=found.estimates)).nodes, say("en"), 800)
    rows = max((layer["data"]["values"] for layer in spec["layer"] if "data" in layer), key=len)
    assert len({(row["x"], row["y"]) for row in rows}) == len(nodes)
