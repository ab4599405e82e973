"""What the others at the site did on the same days, taken out of a node's own series."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
LEAST_PEERS = 4


def anscombe(counts: FloatArray) -> FloatArray:
    """Counts on a scale where Poisson noise has spread 1 whatever the rate.

    Source: F. J. Anscombe, Biometrika 35 (1948) 246-254 (from memory).

    >>> anscombe(np.array([[3.625]]))
    array([[4.]])
    """
    return np.asarray(2.0 * np.sqrt(counts + 0.375))


def common_course(values: FloatArray, groups: npt.NDArray[np.int64]) -> FloatArray:
    """Median departure of a node's group from its own medians, day by day; 0 where fewer than 4 others speak.

    shape (n_nodes, n_days); the node itself is left in its group: a median of many hardly moves for one.
    """
    course = np.zeros_like(values)
    own = _row_median(values)
    for group in np.unique(groups):
        rows = np.flatnonzero(groups == group)
        if len(rows) <= LEAST_PEERS:
            continue
        departure = values[rows] - own[rows, None]
        enough = np.isfinite(departure).sum(axis=0) > LEAST_PEERS
        middle = np.zeros(values.shape[1])
        middle[enough] = np.nanmedian(departure[:, enough], axis=0)
        course[rows] = middle
    return course


def _row_median(values: FloatArray) -> FloatArray:
    known = np.isfinite(values).any(axis=1)
    middle = np.zeros(len(values))
    middle[known] = np.nanmedian(values[known], axis=1)
    return middle


def others_median(values: FloatArray, groups: npt.NDArray[np.int64]) -> FloatArray:
    """Median of the other members of each one's group; NaN where fewer than 3 others have a value. shape (n,)

    >>> others_median(np.array([1.0, 2.0, 3.0, 9.0]), np.zeros(4, dtype=np.int64))
    array([3., 3., 2., 2.])
    """
    middle = np.full(len(values), np.nan)
    for group in np.unique(groups):
        rows = np.flatnonzero((groups == group) & np.isfinite(values))
        if len(rows) < 4:
            continue
        for row in rows.tolist():
            middle[row] = np.median(values[rows[rows != row]])
    return middle
