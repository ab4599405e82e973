"""Many nodes looked at at once: which small p-values to believe, at a stated share of false ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def adjusted_p(p: ArrayLike) -> NDArray[np.float64]:
    """P-values adjusted for their number: believe those at or below the share of false alarms that may be.

    Parameters
    ----------
    p
        NaN where nothing could be judged; it stays NaN and does not count.

    Notes
    -----
    Steps **up** from the largest: if one holds, so do all smaller ones, even where a smaller one alone would not.
    Source: Benjamini and Hochberg, JRSS B 57 (1995) 289–300.

    Examples
    --------
    At a share of 0.10 all three are believed, though 0.04 is above 0.10 / 3:

    >>> adjusted_p([0.04, 0.05, 0.06])
    array([0.06, 0.06, 0.06])
    """
    values = np.asarray(p, dtype=float)
    known = np.flatnonzero(np.isfinite(values))
    order = known[np.argsort(values[known], kind="stable")]
    made = np.full(values.shape, np.nan)
    scaled = values[order] * len(order) / np.arange(1, len(order) + 1)
    made[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return made
