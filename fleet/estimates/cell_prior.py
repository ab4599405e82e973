"""What is believed of a cell's voltage before it is read: candidate curves, each with smooth departures from it."""

from __future__ import annotations

import functools
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.profiles.chemistry import Chemistry, Curve

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
ShortArray = NDArray[np.float32]

DOD_FRAC = np.linspace(-0.02, 1.2, 123)  # beyond 1 for a cut-off below the end of the published curves
DOD_STEP = float(DOD_FRAC[1] - DOD_FRAC[0])
DEPARTURES = 5  # smooth shapes by which a cell may leave its curve
ALONG_DOD = 0.12  # how far along the discharge a departure reaches
STRETCH_FRAC = 0.02  # of the depth of discharge: candidate curves end at voltages of their own
UNLIKE_SHARE = 0.45  # chance that a cell is like none of the published ones in particular
UNLIKE_SPAN_FRAC = 0.03  # its departure from the mean curve beyond the published spread, of the voltage span
LIKE_SPAN_FRAC = 0.01  # departure of a cell that is like a published one, of the voltage span
LIKE_CELL = 0.6  # or so much of what one cell of the chemistry is off
REACH_MOST = 0.05  # a curve that was drawn out further says little of the capacity printed on its cell
LONE_SPAN_FRAC = 0.09  # published cells of a well-documented kind differ by so much of their span before the knee
MEAN, REST_VAR, RESISTANCE, PER_K = range(4)  # columns of the table before the departures


@dataclass(frozen=True)
class CellPrior:
    """Figures of one cell along `DOD_FRAC`, by hypothesis; the last hypothesis is a cell unlike all published ones.

    `table` holds mean voltage [mV], variance beyond the departures [mV²], resistance factor, mV per K, then the
    departures for one standard deviation each [mV]. Shape (n_hypotheses, n_dod, 4 + n_departures)
    """

    names: tuple[str, ...]
    weight: FloatArray
    table: FloatArray
    per_k_sd: float
    end_mv: float  # where a depth of 1 lies
    reach: FloatArray  # charge down to `end_mv` over that to the end of the curve as published, by hypothesis

    @property
    def n_departures(self) -> int:
        """Number of departure shapes."""
        return int(self.table.shape[2]) - 4

    @functools.cached_property
    def short(self) -> tuple[ShortArray, ShortArray]:
        """The table's rows and the steps from each to the next, all hypotheses after each other."""
        step = np.diff(self.table, axis=1, append=self.table[:, -1:])
        width = self.table.shape[2]
        return self.table.reshape(-1, width).astype(np.float32), step.reshape(-1, width).astype(np.float32)

    def at(self, hypothesis: IntArray, dod_frac: FloatArray) -> ShortArray:
        """Table rows of each particle's hypothesis at its depths, straight between the steps.

        Parameters
        ----------
        hypothesis
            shape (n,)
        dod_frac
            shape (n, n_times)

        Returns
        -------
        shape (n, n_times, 4 + n_departures), in single precision: voltages are known to a part in a thousand at best
        """
        place = np.clip((dod_frac - DOD_FRAC[0]) / DOD_STEP, 0.0, len(DOD_FRAC) - 1.001)
        low = place.astype(np.int64)
        part = (place - low).astype(np.float32)[..., None]
        row = hypothesis[:, None] * len(DOD_FRAC) + low
        flat, step = self.short
        made: ShortArray = step[row]
        made *= part
        made += flat[row]
        return made


@functools.lru_cache(maxsize=64)
def _cached(key: tuple[int, tuple[str, ...]], chemistry: _ById) -> CellPrior:
    return _build(chemistry.chemistry, key[1])


class _ById:
    """A chemistry that hashes by identity, so that its prior is built once."""

    def __init__(self, chemistry: Chemistry) -> None:
        self.chemistry = chemistry

    def __hash__(self) -> int:
        return id(self.chemistry)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ById) and other.chemistry is self.chemistry


def cell_prior(chemistry: Chemistry, without: Collection[str] = ()) -> CellPrior:
    """The prior of one chemistry's cells.

    Parameters
    ----------
    without
        Names of candidate curves to leave out: for measuring how well cells are met that nobody published.

    Notes
    -----
    Published cells of one chemistry differ by more than any cell does from its own curve, so the voltage is a mixture:
    a cell is like one of the candidates, up to small smooth departures, or like none, with departures as wide as the
    candidates' own spread (their covariance, from a handful of curves) plus a smooth part. All are Gaussian along the
    discharge and are integrated out exactly. The shares and widths are common practice, no source.
    """
    return _cached((id(chemistry), tuple(sorted(without))), _ById(chemistry))


def _build(chemistry: Chemistry, without: tuple[str, ...]) -> CellPrior:
    curves = [curve for curve in chemistry.resting_curves() if curve.name not in without]
    weight = np.array([curve.weight for curve in curves])
    weight = weight / weight.sum()
    end_mv = float(np.median([curve.mv[-1] for curve in curves]))
    ended = [_ending_at(curve, end_mv) for curve in curves]
    means = np.stack([_on_grid(dod, mv) for dod, mv, _ in ended])
    reach = np.clip([one[2] for one in ended], 1.0 - REACH_MOST, 1.0 + REACH_MOST)
    middle = weight @ means
    span_mv = float(np.clip(chemistry.fresh_mv - chemistry.cutoff_mv, 300.0, 1500.0))
    cell_mv = chemistry.cell_sd_mv
    like_mv = max(LIKE_SPAN_FRAC * span_mv, LIKE_CELL * cell_mv)
    unlike_mv = max(UNLIKE_SPAN_FRAC * span_mv, 2.0 * LIKE_CELL * cell_mv)
    like = [_covariance(mean, like_mv, cell_mv) for mean in means]
    unlike = _covariance(middle, unlike_mv, cell_mv) + _spread_between(means, weight)
    shapes = [_shapes(covariance) for covariance in (*like, unlike)]
    sides = np.stack([chemistry.resistance_by_dod.at(np.clip(DOD_FRAC, 0, 1)), _per_k(chemistry)], axis=-1)
    table = np.stack(
        [
            np.concatenate([mean[:, None], variance[:, None], sides, shape], axis=1)
            for mean, (shape, variance) in zip((*means, middle), shapes, strict=True)
        ]
    )
    return CellPrior(
        names=(*(curve.name for curve in curves), "like none of them"),
        weight=np.append(weight * (1 - UNLIKE_SHARE), UNLIKE_SHARE),
        table=table,
        per_k_sd=chemistry.mv_per_k.sd,
        end_mv=end_mv,
        reach=np.append(reach, weight @ reach),
    )


def _per_k(chemistry: Chemistry) -> FloatArray:
    return chemistry.mv_per_k.at(np.clip(DOD_FRAC, 0, 1))


def _ending_at(curve: Curve, end_mv: float) -> tuple[FloatArray, FloatArray, float]:
    """The curve with its depth of 1 moved to a common end voltage, and how far that moved it."""
    dod, mv = curve.dod_frac, curve.mv
    if mv[-1] > end_mv + 1.0:
        # Published down to a higher voltage: the rest of the knee falls about three times as steeply as its start.
        steep = 3.0 * max((mv[-2] - mv[-1]) / (dod[-1] - dod[-2]), 1.0)
        dod, mv = np.append(dod, dod[-1] + (mv[-1] - end_mv) / steep), np.append(mv, end_mv)
    elif mv[-1] < end_mv - 1.0:
        end = float(np.interp(-end_mv, -mv, dod))
        keep = dod < end
        dod, mv = np.append(dod[keep], end), np.append(mv[keep], end_mv)
    return dod / dod[-1], mv, float(dod[-1])


def _on_grid(dod: FloatArray, mv: FloatArray) -> FloatArray:
    """Voltage on the grid; beyond 1 it falls on at least at the mean slope, below 0 it rises on."""
    fall = max((mv[-2] - mv[-1]) / (dod[-1] - dod[-2]), 0.5 * (mv[0] - mv[-1]))
    rise = (mv[0] - mv[1]) / (dod[1] - dod[0])
    inside = np.interp(DOD_FRAC, dod, mv)
    inside = np.where(DOD_FRAC > 1.0, mv[-1] - fall * (DOD_FRAC - 1.0), inside)
    return np.asarray(np.where(DOD_FRAC < 0.0, mv[0] - rise * DOD_FRAC, inside), dtype=float)


def _covariance(mean: FloatArray, departure_mv: float, cell_sd_mv: float) -> FloatArray:
    """Smooth departures, a stretch along the discharge that grows with depth, and a shift of the whole curve."""
    apart = DOD_FRAC[:, None] - DOD_FRAC[None, :]
    slope_mv = np.abs(np.gradient(mean, DOD_FRAC))
    stretch_mv = slope_mv * STRETCH_FRAC * np.clip(DOD_FRAC, 0.0, 1.0)
    smooth = departure_mv**2 * np.exp(-0.5 * (apart / ALONG_DOD) ** 2)
    stretched = np.outer(stretch_mv, stretch_mv) * np.exp(-0.5 * (apart / (2.5 * ALONG_DOD)) ** 2)
    return np.asarray(smooth + stretched + 0.5 * cell_sd_mv**2, dtype=float)


def _spread_between(means: FloatArray, weight: FloatArray) -> FloatArray:
    """Covariance of the candidates about their mean; a lone candidate is off by a part of its own."""
    effective = 1.0 / np.sum(weight**2)
    if effective < 1.5:
        apart = DOD_FRAC[:, None] - DOD_FRAC[None, :]
        span = float(np.ptp(means[0][(DOD_FRAC >= 0) & (DOD_FRAC <= 0.9)]))
        return np.asarray((LONE_SPAN_FRAC * span) ** 2 * np.exp(-0.5 * (apart / 0.25) ** 2), dtype=float)
    off = (means - weight @ means) * np.sqrt(weight)[:, None]
    return np.asarray(off.T @ off * effective / (effective - 1.0), dtype=float)


def _shapes(covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The chief shapes of a covariance, scaled to one standard deviation, and the variance that they leave out."""
    # Weighed so that the steep knee, with its huge variance, does not take all the shapes.
    inside = np.where((DOD_FRAC >= 0) & (DOD_FRAC <= 1), 1.0, np.sqrt(0.3))
    scale = inside / np.diag(covariance) ** 0.25
    value, vector = np.linalg.eigh(covariance * np.outer(scale, scale))
    chief = np.argsort(-value)[:DEPARTURES]
    shape = vector[:, chief] * np.sqrt(np.maximum(value[chief], 0.0)) / scale[:, None]
    left = np.maximum(np.diag(covariance) - (shape**2).sum(axis=1), 0.0)
    return np.asarray(shape, dtype=float), np.asarray(left, dtype=float)
