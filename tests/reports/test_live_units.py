"""The printed systemd units."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from fleet.errors import SetupError
from reports.units import SERVICES, Place, unit_files

PLACE = Place("/usr/bin/true", "/srv/flats", "root")


def test_every_service_and_its_timer() -> None:
    names = set(unit_files([], PLACE))
    assert names == {*(f"wakeledger-{name}.service" for name in SERVICES), *TIMERS}


TIMERS = ("wakeledger-nightly.timer", "wakeledger-weekly.timer")


def test_ingester_is_watched() -> None:
    text = unit_files(["ingest"], PLACE)["wakeledger-ingest.service"]
    assert "Type=notify" in text
    assert "WatchdogSec=60" in text


def test_unknown_service_is_said() -> None:
    with pytest.raises(SetupError, match="expected one of ingest, page"):
        unit_files(["ingst"], PLACE)


def test_path_that_would_add_a_line_is_refused() -> None:
    with pytest.raises(SetupError, match="line break"):
        unit_files([], Place("/usr/bin/true", "/srv/x\nExecStart=/bin/sh", "root"))


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not here")
def test_systemd_accepts_them(tmp_path: Path) -> None:
    """Judged by `systemd-analyze verify` of the systemd that is installed."""
    files = unit_files([], Place("/usr/bin/true", str(tmp_path), "root"))
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    paths = [str(tmp_path / name) for name in files]
    told = subprocess.run(["systemd-analyze", "verify", *paths], capture_output=True, text=True, check=False)
    assert "wakeledger" not in told.stderr, told.stderr
