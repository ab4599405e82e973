"""A number's name ends in its unit, or is one of the words below, which have none or whose unit a contract fixes."""

from __future__ import annotations

import ast
from pathlib import Path

from fleet.units import SUFFIXES

ROOT = Path(__file__).parent.parent
STAGES = ("daily", "estimates", "flags", "advice", "profiles")

# Words of the wire, set-up and result contracts, and of statistics: no unit, or the unit of the reading.
UNITLESS = {
    # settings of the band, in the reading's own unit
    "lo", "hi", "hyst", "avg", "low", "high", "level", "edge", "threshold", "gap_min", "value", "values", "x", "y", "z",
    # statistics
    "mean", "sd", "rho", "alpha", "beta", "scale", "shape", "rate", "prior", "odds", "probability", "quantile", "q",
    "p",
    "k", "h", "n", "u", "a", "b", "d", "t", "m", "r", "s", "level_sd", "noise_sd", "ratio", "strength", "weight",
    "weights",
    "factor", "power", "exponent", "confidence", "lam", "mu", "sigma", "dispersion", "penalty", "step", "slope", "size",
    "start", "target", "drift", "diffusion", "fraction", "share", "spread", "tolerance", "limit", "reference", "shift",
    "drift_sd", "barrier",
    # contract words
    "latitude", "gain_sd", "rev", "at", "since", "until", "now", "as_of", "q10",
}  # fmt: skip


def floats(path: Path) -> list[tuple[int, str]]:
    """Line and name of every public function's parameter that is annotated as a plain float."""
    found = []
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            arguments = node.args.posonlyargs + node.args.args + node.args.kwonlyargs
            found += [
                (argument.lineno, argument.arg)
                for argument in arguments
                if isinstance(argument.annotation, ast.Name) and argument.annotation.id == "float"
            ]
    return found


def test_every_float_parameter_of_the_middle_ends_in_its_unit() -> None:
    ends = tuple({*SUFFIXES, "_sd", "_q10", "_ratio", "_odds", "_per_week", "_ppm_per_k2", "_kj_per_mol", "_rate"})
    bare = [
        f"{path.relative_to(ROOT)}:{line} {name}"
        for stage in STAGES
        for path in sorted((ROOT / "fleet" / stage).rglob("*.py"))
        for line, name in floats(path)
        if name not in UNITLESS and not name.endswith(ends)
    ]
    assert not bare
