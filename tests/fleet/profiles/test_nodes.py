"""Node and visit lists: a row in error is refused with its line number, the others count."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.frames import EVENT, NODE, check_frame
from fleet.profiles.load import load_profile
from fleet.profiles.nodes import read_nodes, read_visits
from fleet.profiles.profile import Profile

PROFILES = {"creek-level-2": load_profile(Path(__file__).with_name("starter.toml"))}
HEADER = "node,site,profile,fitted,cells,lo,hi,latitude,timezone,note\n"


def nodes(folder: Path, rows: str, header: str = HEADER) -> tuple[pd.DataFrame, list[str]]:
    path = folder / "nodes.csv"
    path.write_text(header + rows, encoding="utf-8")
    profiles: dict[str, Profile] = dict(PROFILES)
    frame, errors = read_nodes(path, profiles)
    return frame, [str(error) for error in errors]


def test_a_list_becomes_a_node_frame(tmp_path: Path) -> None:
    first = 'n1,marsh,creek-level-2,2026-01-01,,0.8,2.0,51.5,Europe/London,"by the gate, left"'
    frame, errors = nodes(tmp_path, first + "\n\nn2,marsh,creek-level-2,,nimh,,,,,\n")
    check_frame(frame, NODE, "nodes")
    assert errors == []
    assert frame.chemistry.tolist() == ["alkaline", "nimh"]
    assert frame.fitted[0] == 1_767_225_600
    assert np.isnan(frame.fitted[1])
    assert (frame.note[0], frame.banded_reading[0], bool(frame.known[0])) == ("by the gate, left", "level_v", True)


WRONG = [
    ("n!,a,creek-level-2,,,,,,,", ["line 2 node", "'n!'", "1 to 64"]),
    ("n1,,creek-level-2,,,,,,,", ["line 2 site", "empty"]),
    ("n1,a,nope,,,,,,,", ["line 2 profile", "'nope'", "creek-level-2"]),
    ("n1,a,creek-level-2,yesterday,,,,,,", ["line 2 fitted", "'yesterday'", "ISO 8601"]),
    ("n1,a,creek-level-2,,lead,,,,,", ["line 2 cells", "'lead'", "alkaline"]),
    ("n1,a,creek-level-2,,,2,1,,,", ["line 2 lo", "2 is not below hi 1"]),
    ("n1,a,creek-level-2,,,x,1,,,", ["line 2 lo", "'x'", "a number"]),
    ("n1,a,creek-level-2,,,,,95,,", ["line 2 latitude", "'95'", "from -90 to 90"]),
    ("n1,a,creek-level-2,,,,,,Mars/Base,", ["line 2 timezone", "'Mars/Base'"]),
    ("n1,a,creek-level-2", ["line 2", "3 values; expected 10"]),
]


@pytest.mark.parametrize(("row", "told"), WRONG, ids=[row for row, _ in WRONG])
def test_a_row_in_error_is_refused_alone(tmp_path: Path, row: str, told: list[str]) -> None:
    frame, errors = nodes(tmp_path, f"{row}\nn9,a,creek-level-2,,,,,,,\n")
    assert frame.node.tolist() == ["n9"]
    assert len(errors) == 1
    for part in told:
        assert part in errors[0]


def test_a_node_listed_twice_keeps_its_first_row(tmp_path: Path) -> None:
    frame, errors = nodes(tmp_path, "n1,a,creek-level-2,,,,,,,\nn1,b,creek-level-2,,,,,,,\n")
    assert (frame.site.tolist(), len(errors)) == (["a"], 1)


def test_a_header_without_what_is_needed_is_told(tmp_path: Path) -> None:
    assert "'site' is missing" in nodes(tmp_path, "n1,p\n", "node,profile\n")[1][0]
    assert "'sight'" in nodes(tmp_path, "n1,a,p,b\n", "node,site,profile,sight\n")[1][0]


def test_no_file_is_told(tmp_path: Path) -> None:
    frame, errors = read_nodes(tmp_path / "none.csv", PROFILES)
    assert (len(frame), len(errors)) == (0, 1)


def test_visits_become_events_in_order_of_time(tmp_path: Path) -> None:
    frame, _ = nodes(tmp_path, "n1,a,creek-level-2,,,,,,,\nn2,a,creek-level-2,,,,,,,\n")
    path = tmp_path / "visits.csv"
    path.write_text(
        "node,at,what,note\nn2,2026-03-01T10:00+01:00,swap,\nn1,2026-02-01,visit,x\nn7,2026-02-01,swap,\n"
        "n1,2026-02-01,party,\n",
        encoding="utf-8",
    )
    events, errors = read_visits(path, frame)
    check_frame(events, EVENT, "visits")
    assert events.what.tolist() == ["visit", "swap"]
    assert events["at"].tolist() == [1_769_904_000.0, 1_772_355_600.0]
    assert ["line 4 node: 'n7'" in str(errors[0]), "line 5 what: 'party'" in str(errors[1])] == [True, True]
