"""One step in each of many noisy series: when, how large, how sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
LEAST_BEFORE = 7
LEAST_AFTER = 2
MAD_TO_SD = 1.4826


@dataclass(frozen=True)
class Steps:
    """The best step of each series: `at` is its first column after, `z` how many standard errors it is high."""

    at: IntArray
    before: FloatArray
    after: FloatArray
    z: FloatArray
    half_window: FloatArray


def find_steps(values: FloatArray, *, least_sd: float = 1e-9, oldest: int = 90) -> Steps:
    """The step up that explains each series best.

    Parameters
    ----------
    values
        One series a row; NaN where nothing is known. shape (n_series, n_days)
    least_sd
        Spread below which a series is not believed to be. [unit of values]
    oldest
        Steps are looked for in the last so many columns only.

    Returns
    -------
    Steps with `z` NaN where a series is too short: fewer than 7 values before or 2 after.

    Notes
    -----
    For every split the means before and after are compared; the noise is the median absolute difference of
    successive values divided by √2, which a step does not inflate. Searching over splits makes the largest `z` of
    pure noise about 3 rather than 0: judge it against 5. `half_window` is the half-width of an approximate 95 %
    window for the date, 11.03 / 2 noise²/step² (Yao's law, 97.5 % point 11.0333; J. Bai, Econometric Theory 13,
    1997, 315-352). Left out: drift, more than one step.

    Examples
    --------
    Ten days at 4, then five at 9, noise 1:

    >>> row = np.array([[4, 5, 3, 4, 5, 4, 3, 4, 5, 3, 9, 10, 8, 9, 9.0]])
    >>> step = find_steps(row)
    >>> int(step.at[0]), float(step.before[0]), float(step.after[0])
    (10, 4.0, 9.0)
    """
    n, days = values.shape
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    count = np.concatenate([np.zeros((n, 1)), known.cumsum(axis=1)], axis=1)
    total = np.concatenate([np.zeros((n, 1)), filled.cumsum(axis=1)], axis=1)
    before_n, after_n = count[:, 1:-1], count[:, -1:] - count[:, 1:-1]
    with np.errstate(invalid="ignore", divide="ignore"):
        before = total[:, 1:-1] / before_n
        after = (total[:, -1:] - total[:, 1:-1]) / after_n
        z = (after - before) / np.sqrt(1.0 / before_n + 1.0 / after_n)
    allowed = (before_n >= LEAST_BEFORE) & (after_n >= LEAST_AFTER)
    allowed[:, : max(0, days - oldest)] = False
    z = np.where(allowed, z, -np.inf)
    if z.shape[1] == 0:
        nothing = np.full(n, np.nan)
        return Steps(np.zeros(n, np.int64), nothing, nothing, nothing, nothing)
    best = z.argmax(axis=1)
    rows = np.arange(n)
    noise = np.maximum(noise_sd(values), least_sd)
    found = np.isfinite(z[rows, best])
    size = after[rows, best] - before[rows, best]
    with np.errstate(invalid="ignore", divide="ignore"):
        half_window = np.clip(11.0333 / 2 * (noise / size) ** 2, 0.5, days)
    return Steps(
        at=(best + 1).astype(np.int64),
        before=np.where(found, before[rows, best], np.nan),
        after=np.where(found, after[rows, best], np.nan),
        z=np.where(found, z[rows, best] / noise, np.nan),
        half_window=np.where(found, half_window, np.nan),
    )


def noise_sd(values: FloatArray) -> FloatArray:
    """Spread of each row about its slow course: median absolute difference of successive values. shape (n,)

    >>> noise_sd(np.array([[0.0, 1.0, 0.0, 1.0, 5.0, 6.0, 5.0, 6.0]])).round(3)
    array([1.048])
    """
    if values.shape[1] < 2:
        return np.full(len(values), np.nan)
    jumps = np.abs(np.diff(values, axis=1))
    ordered = np.sort(jumps, axis=1)
    count = np.isfinite(jumps).sum(axis=1)
    middle = ordered[np.arange(len(values)), np.maximum((count - 1) // 2, 0)]
    return np.where(count > 0, middle * MAD_TO_SD / np.sqrt(2.0), np.nan)
