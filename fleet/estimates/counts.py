"""Wakes by cause on the grid of node-days, wakes without a record shared out; exact counts of a window."""

from __future__ import annotations

import numpy as np

from fleet.daily.grid import DayGrid
from fleet.daily.groups import FloatArray
from fleet.words import RESET_CAUSES, Cause

SMOOTHING_COUNT = 5.0  # so many wakes at the node's usual mix steady the mix of a day with few records


def wakes_by_cause(grid: DayGrid) -> FloatArray:
    """Wakes a node, day and cause, those without a record shared out like the node's records.

    Returns
    -------
    Wakes, of which seen ones are whole numbers. Shape (n_nodes, n_days, n_causes), causes as in `words.Cause`

    Notes
    -----
    A missing wake gets the mix of its day, steadied by the node's mix over the grid. A cold start has its own boot
    number, so a wake missing inside a boot is no power-on, brown-out, watchdog or crash; where a node has shown
    nothing else, or nothing at all, it counts as `other`.
    """
    seen = np.stack([grid.known(f"n_{cause.word}") for cause in Cause], axis=-1)
    mix = seen.copy()
    mix[..., list(RESET_CAUSES)] = 0.0
    usual = mix.sum(axis=1, keepdims=True)
    total = usual.sum(axis=2, keepdims=True)
    fallback = np.zeros(len(Cause))
    fallback[Cause.OTHER] = 1.0
    usual = np.where(total > 0, usual / np.maximum(total, 1.0), fallback)
    mix += SMOOTHING_COUNT * usual
    share = mix / mix.sum(axis=2, keepdims=True)
    return np.asarray(seen + grid.missing[..., None] * share, dtype=float)


def wakes_in_window(grid: DayGrid) -> dict[str, FloatArray]:
    """Wakes of each node over the whole grid, known to have been.

    Returns
    -------
    `wakes`, `wakes_seen`, `wakes_per_day` and `wakes_<cause>`; NaN for a node that was never heard. Shape (n_nodes,)
    """
    heard = grid.has_row.any(axis=1)
    covered_d = grid.covered_s.sum(axis=1) / 86_400.0
    wakes = grid.wakes.sum(axis=1)
    # n records span n - 1 intervals; a lone record tells of no pace.
    open_ended = np.where(covered_d > 0, (wakes - 1.0) / np.where(covered_d > 0, covered_d, 1.0), np.nan)
    by_cause = wakes_by_cause(grid).sum(axis=1)
    made = {"wakes": wakes, "wakes_seen": grid.seen.sum(axis=1), "wakes_per_day": np.maximum(open_ended, 0.0)}
    made |= {f"wakes_{cause.word}": by_cause[:, cause] for cause in Cause}
    return {name: np.where(heard, values, np.nan) for name, values in made.items()}
