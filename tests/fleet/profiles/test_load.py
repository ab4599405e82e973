"""Profiles: the contract's example is read whole; each wrong key or value is one error that says where and what."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleet.errors import SetupError
from fleet.profiles.load import load_profile, load_profiles
from fleet.profiles.profile import Figure

STARTER = Path(__file__).with_name("starter.toml").read_text(encoding="utf-8")


def written(folder: Path, text: str, name: str = "creek.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def changed(line: str, new: str) -> str:
    assert line in STARTER
    return STARTER.replace(line, new)


def test_the_contracts_example(tmp_path: Path) -> None:
    """Source: the example of the set-up contract, version 1."""
    profile = load_profile(written(tmp_path, STARTER))
    assert profile.profile == "creek-level-2"
    assert profile.sleep.current_ua == Figure(9.0, 1.0)
    assert profile.coprocessor is not None
    assert (profile.coprocessor.run_us, profile.coprocessor.holdoff_s) == (Figure(40.0), 0)
    assert (profile.cause["pin"].length_ms, profile.cause["pin"].radio) == (Figure(120.0), False)
    assert profile.battery.resistance_mohm == Figure(300.0)
    assert (profile.limits.lo, profile.limits.avg, profile.limits.alarm) == ((0.2, 1.8), (1, 32), (0.15, 2.6))


def test_only_three_tables_are_needed(tmp_path: Path) -> None:
    text = """profile = "p"
    [sleep]
    current_ua = 9
    [wake]
    current_ma = 38
    length_ms = 350
    [battery]
    chemistry = "li-ion"
    capacity_mah = 2000
    cutoff_mv = 3200"""
    profile = load_profile(written(tmp_path, text))
    assert (profile.coprocessor, profile.radio, profile.orders.signed) == (None, None, True)


WRONG = [
    ("current_ua = {mean = 9.0, sd = 1.0}", "curent_ua = 9", ["[sleep]", "'curent_ua'", "Did you mean 'current_ua'"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "", ["[sleep]", "'current_ua' is missing"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "current_ua = -9", ["[sleep] current_ua", "-9", "above 0"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "current_ua = nan", ["[sleep] current_ua", "nan", "number"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", 'current_ua = "9"', ["[sleep] current_ua", "'9'", "a number or {mean"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "current_ua = {sd = 1}", ["[sleep] current_ua", "no mean"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "current_ua = {mean = 9, sd = -1}", ["current_ua.sd", "-1", "at least 0"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "current_ua = {mean = 9, std = 1}", ["current_ua", "'std'"]),
    ("current_ua = {mean = 9.0, sd = 1.0}", "current_ua = 90000", ["[sleep] current_ua", "µA against mA"]),
    ("capacity_mah = {mean = 2500, sd = 150}", "capacity_mah = 0", ["[battery] capacity_mah", ": 0;", "above 0"]),
    ("cutoff_mv = 2000", "cutoff_mv = 4000", ["cutoff_mv", "4000", "below 3200"]),
    ('chemistry = "alkaline"', 'chemistry = "alkalin"', ["chemistry", "Did you mean 'alkaline'"]),
    ("series = 2", "series = 2.5", ["[battery] series", "2.5", "whole number"]),
    ("run_us = 40", "run_us = 140000", ["[coprocessor] run_us", "µs against ms"]),
    ('rearm = "edge"', 'rearm = "both"', ["rearm", "'both'", '"edge", "level"']),
    ("lo = [0.2, 1.8]", "lo = [1.8, 0.2]", ["[limits] lo", "[1.8, 0.2]", "[lowest, highest]"]),
    ("avg = [1, 32]", "avg = [0, 32]", ["[limits] avg", "at least 1"]),
    ("gap_min = 0.2", "gap_min = 9.0", ["gap_min", "9", "at most 2.8"]),
    ("signed = true", "signed = 1", ["[orders] signed", "true or false"]),
    ("[cause.pin]", "[cause.pn]", ["[cause.pn]", "Did you mean 'pin'"]),
    ("[measure]", "[measures]", ["'measures'", "Did you mean 'measure'"]),
    ('profile = "creek-level-2"', "", ["profile: None", "text in quotes"]),
    ("[orders]", "[orders", ["not TOML"]),
]


@pytest.mark.parametrize(("line", "new", "told"), WRONG, ids=[f"{new or 'none'} for {line}" for line, new, _ in WRONG])
def test_what_is_wrong_is_told(tmp_path: Path, line: str, new: str, told: list[str]) -> None:
    path = written(tmp_path, changed(line, new))
    with pytest.raises(SetupError) as caught:
        load_profile(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    for part in told:
        assert part in message


def test_one_bad_file_leaves_the_others(tmp_path: Path) -> None:
    written(tmp_path, STARTER)
    written(tmp_path, STARTER.replace("2500", "-1").replace("creek-level-2", "broken"), "broken.toml")
    written(tmp_path, STARTER, "twin.toml")
    profiles, errors = load_profiles(tmp_path)
    assert list(profiles) == ["creek-level-2"]
    assert len(errors) == 2
    assert "capacity_mah" in str(errors[0])
    assert "already used" in str(errors[1])


def test_no_folder_is_told(tmp_path: Path) -> None:
    profiles, errors = load_profiles(tmp_path / "none")
    assert (profiles, len(errors)) == ({}, 1)


def test_ones_own_table_is_found_beside_the_profile(tmp_path: Path) -> None:
    own = Path(__file__).parents[3] / "fleet" / "profiles" / "chemistry" / "alkaline.toml"
    written(tmp_path, own.read_text(encoding="utf-8"), "my-cell.toml.txt")
    profile = load_profile(written(tmp_path, changed('"alkaline"', '"my-cell.toml.txt"')))
    assert profile.battery.chemistry == str((tmp_path / "my-cell.toml.txt").resolve())
