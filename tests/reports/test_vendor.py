"""Files of others are what they were when they were taken in."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_carried_files_have_the_sums_and_licences_that_are_written_down() -> None:
    place = ROOT / "reports/static"
    for kept in tomllib.loads((place / "vendor.toml").read_text()).values():
        assert (place / kept["licence_file"]).read_text().strip()
        for name, digest in kept["sha256"].items():
            assert hashlib.sha256((place / name).read_bytes()).hexdigest() == digest


def test_the_checker_of_the_page_is_the_one_written_down() -> None:
    place = ROOT / "tests/reports/vendor"
    axe = tomllib.loads((place / "vendor.toml").read_text())["axe-core"]
    assert hashlib.sha256((place / axe["file"]).read_bytes()).hexdigest() == axe["sha256"]
