"""`wakeledger --help` loads neither pandas nor scikit-learn nor SQLAlchemy, and answers in under 0.3 s.

Run: python tests/bench/help_floor.py. The floor beside it is `python -c "import typer, rich"` in the same run.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys

HEAVY = ("pandas", "sklearn", "sqlalchemy", "scipy", "pyarrow", "altair", "paho", "numpy")
HELP = """
import sys
sys.argv = ["wakeledger", "--help"]
from fleet.cli import main
try: main()
except SystemExit: pass
"""


def cpu_s(code: str) -> float:
    """Processor time of one fresh interpreter that runs this code. [s]"""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def main() -> int:
    """Print both figures; 1 if the help is too slow or loads something heavy."""
    code = HELP + f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stderr.strip()
    runs = [(cpu_s(HELP), cpu_s("import typer, rich.console")) for _ in range(5)]
    ours_s, floor_s = (statistics.median(column) for column in zip(*runs, strict=True))
    print(f"help {ours_s:.3f} s, bare typer and rich {floor_s:.3f} s of processor time, ratio {ours_s / floor_s:.2f}")
    print(f"heavy modules loaded: {loaded}")
    return 0 if loaded == "[]" and ours_s < max(0.3, 2.5 * floor_s) else 1


if __name__ == "__main__":
    sys.exit(main())
