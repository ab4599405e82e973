"""The live look itself, and its readings and stream."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fleet.settings import Settings
from fleet.store.engine import open_store
from fleet.store.for_live import change_marks
from fleet.store.setup import add_note, write_nodes
from reports.found import Found
from reports.live import LiveModel, LiveReader, by_need
from reports.live_readings import BandSpan, band_spans, readings_svg, reduced
from reports.model import ReportModel
from reports.serve_events import changes, frame_of
from tests.reports.fleet_of import fleet_of
from tests.reports.live_of import FoundReader, store_with


@pytest.fixture(scope="module")
def look(found: Found, tmp_path_factory: pytest.TempPathFactory) -> LiveModel:
    store = store_with(found, tmp_path_factory.mktemp("look"))
    return FoundReader(store, found, Settings()).look()


def test_look_is_the_report(look: LiveModel, model: ReportModel) -> None:
    assert look.report.data_digest == model.data_digest


def test_due_nodes_come_first(look: LiveModel) -> None:
    states = [line.state for line in by_need(look)]
    assert states == sorted(states, key=["due", "soon", "unsure", "holds"].index)


def test_unchanged_store_is_not_read_again(tmp_path: Path) -> None:
    with open_store(f"sqlite:///{tmp_path / 'x.sqlite'}") as store:
        reader = LiveReader(store, Settings(folder=str(_setup(tmp_path))))
        assert reader.look() is reader.look()


def test_what_people_tell_changes_the_mark(tmp_path: Path) -> None:
    with open_store(f"sqlite:///{tmp_path / 'x.sqlite'}") as store:
        write_nodes(store, fleet_of(1).nodes)
        before = change_marks(store)
        add_note(store, str(fleet_of(1).nodes["node"].iloc[0]), "seal looks worn", told_by="anna", at_s=1.0)
        after = change_marks(store)
    assert before[0] != after[0]
    assert before[1] != after[1]


def test_before_the_first_analysis_every_node_is_unsure(tmp_path: Path) -> None:
    with open_store(f"sqlite:///{tmp_path / 'x.sqlite'}") as store:
        write_nodes(store, fleet_of(3).nodes)
        look = LiveReader(store, Settings(folder=str(_setup(tmp_path)))).look()
    assert [line.state for line in look.report.nodes] == ["unsure"] * 3
    assert look.analysed is None


def _setup(folder: Path) -> Path:
    (folder / "profiles").mkdir()
    (folder / "nodes.csv").write_text("node,site,profile\n")
    return folder


def test_reduction_keeps_every_peak() -> None:
    """By hand: one spike among a year of equal values has to be the highest of its column."""
    t = np.arange(50_000.0)
    y = np.ones(50_000)
    y[31_234] = 9.0
    columns = reduced(t, y, 0.0, 50_000.0, 500)
    assert (312, 1.0, 9.0) in columns
    assert len(columns) == 500


def test_readings_without_values_draw_nothing() -> None:
    assert readings_svg(np.array([1.0]), np.array([np.nan]), since=0.0, until=9.0, title="x") == ""


def test_band_is_drawn_where_it_was_in_force() -> None:
    rows = [
        {"first_at": 100.0, "lo": 0.5, "hi": None},
        {"first_at": 200.0, "lo": 0.7, "hi": 1.8},
        {"first_at": None, "lo": 9.0, "hi": 9.0},
    ]
    assert band_spans(rows, 0.0, 300.0) == [BandSpan(0.0, 200.0, 0.5, None), BandSpan(200.0, 300.0, 0.7, 1.8)]


def test_title_of_a_plot_is_escaped() -> None:
    drawn = readings_svg(np.array([1.0, 2.0]), np.array([1.0, 2.0]), since=0.0, until=9.0, title="<b>")
    assert "<b>" not in drawn


def test_stream_tells_only_nodes_heard_since(look: LiveModel) -> None:
    node_id = next(iter(look.now))
    later = {**look.now, node_id: replace(look.now[node_id], heard=9e9)}
    told = changes(look, replace(look, now=later, mark="mark-2"))
    assert told["heard"] == {node_id: 9e9}
    assert told["anew"] is False


def test_message_of_the_stream_has_no_stray_line_break() -> None:
    """Form of a message: HTML Living Standard, server-sent events, §9.2.5: fields by line, ended by an empty line."""
    assert frame_of("change", "7", {"text": "a\nb"}) == 'id: 7\nevent: change\ndata: {"text": "a\\nb"}\n\n'
