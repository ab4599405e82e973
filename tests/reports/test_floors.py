"""Timings against the floors of the report; each is measured in a process of its own, frames made beforehand."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from tests.reports.fleet_of import fleet_of

ROOT = Path(__file__).parents[2]
PROGRAM = """
import pickle, sys, time
from datetime import UTC, datetime
from pathlib import Path
start = time.monotonic()
from reports.build import build_report
from reports.write import report_files
found = pickle.loads(Path(sys.argv[1]).read_bytes())
model = build_report(found, week="2026-W48", now_at=datetime(2026, 11, 23, 5, tzinfo=UTC), title="Battery risk",
                     timezone="Europe/Berlin", settings_digest="5e" * 32, version="0.1.0")
files = report_files(model, "en")
# ru_maxrss would also hold the peak of the process that started this one
status = open("/proc/self/status").read()
peak_mib = int(status.split("VmHWM:")[1].split()[0]) / 1024
print(time.monotonic() - start, peak_mib, len(files["report.html"]))
"""


def measured(count: int, folder: Path) -> tuple[float, float, float]:
    """Seconds, peak memory [MiB] and bytes of the page."""
    file = folder / "found.pickle"
    file.write_bytes(pickle.dumps(fleet_of(count)))
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(file)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    seconds, peak_mib, page_bytes = map(float, done.stdout.split())
    return seconds, peak_mib, page_bytes


@pytest.mark.bench
def test_500_nodes_in_15_s_and_a_page_of_2_mb(tmp_path: Path) -> None:
    seconds, _, page_bytes = measured(500, tmp_path)
    assert seconds < 15
    assert page_bytes <= 2_000_000


@pytest.mark.bench
def test_5000_nodes_in_90_s_and_1_gb(tmp_path: Path) -> None:
    seconds, peak_mib, _ = measured(5000, tmp_path)
    assert seconds < 90
    assert peak_mib < 1_000_000_000 / 2**20
