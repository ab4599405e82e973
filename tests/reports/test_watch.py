"""The terminal view: keys, filter, narrow screens, hostile names, a pipe."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console, RenderableType

from fleet.settings import Settings
from reports.found import Found
from reports.live import LiveModel, by_need
from reports.watch import print_once
from reports.watch_keys import Seat, matching, pressed
from reports.watch_view import COLUMNS, page, page_rows
from tests.reports.fleet_of import fleet_of
from tests.reports.live_of import FoundReader, store_with


def look_at(found: Found, folder: Path) -> LiveModel:
    with store_with(found, folder) as store:
        return FoundReader(store, found, Settings()).look()


@pytest.fixture(scope="module")
def look(found: Found, tmp_path_factory: pytest.TempPathFactory) -> LiveModel:
    return look_at(found, tmp_path_factory.mktemp("watch"))


def drawn(look: LiveModel, seat: Seat, *, width: int = 100, height: int = 24) -> str:
    shown = matching(by_need(look), seat.needle)
    return printed(page(look, shown, seat, now_s=look.report.as_of, width=width, height=height), width)


def printed(view: RenderableType, width: int) -> str:
    out = io.StringIO()
    Console(file=out, width=width, force_terminal=False).print(view)
    return out.getvalue()


def typed(keys: list[str], look: LiveModel) -> Seat:
    seat, lines = Seat(), by_need(look)
    for key in keys:
        seat = pressed(seat, key, matching(lines, seat.needle), page_rows=10)
    return seat


def test_j_and_k_stay_inside(look: LiveModel) -> None:
    assert typed(["k"], look).row == 0
    assert typed(["j", "\x1b[B", "k"], look).row == 1
    assert typed(["G", "j"], look).row == len(look.report.nodes) - 1


def test_enter_opens_and_escape_goes_back(look: LiveModel) -> None:
    opened = typed(["j", "\r"], look)
    assert opened.opened == by_need(look)[1].node_id
    assert pressed(opened, "\x1b", by_need(look), page_rows=10).opened is None
    assert pressed(opened, "q", by_need(look), page_rows=10) == replace(opened, opened=None)


def test_filter_takes_letters_that_are_keys_elsewhere(look: LiveModel) -> None:
    seat = typed(["/", "q", "j", "\x7f", "\r"], look)
    assert (seat.needle, seat.left, seat.typing) == ("q", False, False)


def test_filter_finds_state_and_site_together(look: LiveModel) -> None:
    line = by_need(look)[0]
    found = matching(by_need(look), f"{line.site.split()[0]} {line.state}")
    assert found
    assert {one.state for one in found} == {line.state}


def test_open_node_says_its_flags(look: LiveModel) -> None:
    flagged = next(line for line in by_need(look) if line.flags)
    text = drawn(look, Seat(opened=flagged.node_id))
    assert flagged.node in text
    assert "days left" in text


@pytest.mark.parametrize("width", [20, 40, 80, 200])
def test_no_line_is_wider_than_the_terminal(look: LiveModel, width: int) -> None:
    assert max(len(line) for line in drawn(look, Seat(), width=width).splitlines()) <= width


def test_names_are_never_markup(tmp_path: Path) -> None:
    found = fleet_of(3)
    nodes = found.nodes.copy()
    nodes["node"] = ["a[/b]z", "[red]a[/]", "x\x1b[31m"]
    look = look_at(replace(found, nodes=nodes), tmp_path)
    text = drawn(look, Seat())
    assert "a[/b]z" in text
    assert "[red]a[/]" in text
    assert "\x1b[31m" not in text


def test_large_fleet_shows_one_page_only(look: LiveModel) -> None:
    lines = by_need(look) * 200
    view = page(look, lines, Seat(row=4000), now_s=look.report.as_of, width=100, height=24)
    text = printed(view, 100)
    assert 20 < len(text.splitlines()) <= 24
    assert f"of {len(lines)}" in text
    assert page_rows(24) == 18


def test_pipe_gets_every_node_once(look: LiveModel, capsys: pytest.CaptureFixture[str]) -> None:
    print_once(look)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split("\t") == list(COLUMNS)
    assert {len(line.split("\t")) for line in lines} == {len(COLUMNS)}
    assert len(lines) == len(look.report.nodes) + 1


def test_empty_fleet_is_said(tmp_path: Path) -> None:
    assert "no node matches" in drawn(look_at(fleet_of(0), tmp_path), Seat())
