"""A drain that no record tells of: where the depth read from the voltage runs away from the charge counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.estimates.cell_prior import DOD_FRAC, MEAN, PER_K, CellPrior
from fleet.estimates.evidence import NODE_NOISE_MV, DaySeries
from fleet.estimates.hypotheses import Beliefs

FloatArray = NDArray[np.float64]

WINDOW_D = 240.0
REACH_MOST = 0.2  # of the charge, counted: over more of a discharge its curve bends too much
DAYS_LEAST = 25
SKIP_D = 2.0  # a new pack settles
DEEPEST = 0.85  # in the knee every curve runs away from the others
SUSPICIOUS = 1.5  # slope of the last weeks or months over that before, for a closer look
RECENT_D = (21.0, 50.0, 110.0)
SIZES = np.array([0.5, 0.8, 1.25, 2.0, 3.0, 4.5, 6.5, 10.0])  # over the counted drain
ONSETS_D = np.array(
    [5.0, 8.0, 11.0, 14.0, 17.0, 20.0, 23.0, 27.0, 32.0, 38.0, 46.0, 56.0, 70.0, 90.0, 115.0, 150.0]
)  # ago
PRIOR_SHARE = 0.1
SHARE_LEAST = 0.9  # odds below which the coarse weighing goes on alone
PACE_SD = 0.35  # of the depth per charge counted: capacity and profile together
BEND_SD = 0.35  # by how much a curve may change its slope over the window, against the true one
NOISE_SHARED = 2.5  # neighbouring days hang together
TRUST_CURVE = 0.35


@dataclass(frozen=True)
class HiddenDrain:
    """A hidden drain suspected: its odds, when it began and its size over the counted drain."""

    share: float
    began_d: float  # age of the series
    began_sd_d: float
    log_size: float
    log_size_sd: float


def hidden_drain(series: DaySeries, beliefs: Beliefs, prior: CellPrior) -> HiddenDrain | None:
    """The step in drain that the voltage shows, if it shows one.

    Notes
    -----
    Voltage becomes depth by each candidate curve; depth is regressed on counted charge, with a bend for the curve's
    error and a term for temperature, all under normal priors, with and without a step of drain at each of some onsets
    and sizes (marginal likelihoods in closed form). A step in time is no bend of a curve, so this sees leaks that the
    coarse weighing of `state_of_charge` does not. None where nothing suggests a closer look, in the knee, and where
    voltages are few.
    """
    mv = series.rest_mv if np.isfinite(series.rest_mv).sum() >= DAYS_LEAST else series.load_mv
    pace = float((series.floor_mah + series.wake_mah).sum()) / series.end_d / beliefs.capacity_mah
    window_d = min(WINDOW_D, REACH_MOST / max(pace, 1e-9))
    used = np.isfinite(mv) & (series.age_d > SKIP_D) & (series.age_d > series.end_d - window_d)
    age, volts, warm = series.age_d[used], mv[used], series.temp_c[used] - 20.0
    if len(age) < DAYS_LEAST or not _is_suspicious(age, volts - beliefs.series * _per_k(prior) * warm, series.end_d):
        return None
    counted = np.cumsum(series.floor_mah + series.wake_mah)
    mean_mah = float(counted[-1]) / series.end_d
    at = np.interp(age, np.arange(1, len(counted) + 1), counted)
    noise = np.sqrt(np.mean(series.noise_mv[used] ** 2) + NODE_NOISE_MV**2 + series.step_mv**2 / 12.0)
    log = np.full((len(prior.names), len(ONSETS_D) * len(SIZES) + 1), -np.inf)
    for number in range(len(prior.names)):
        depth, sd = _depths(prior, number, (volts / beliefs.series, warm), noise / beliefs.series)
        if np.median(depth[-5:]) < DEEPEST:
            log[number] = _evidence((age, at, warm), depth, sd, (series.end_d, mean_mah, beliefs.capacity_mah))
    return _summary(log, prior.weight, series.end_d)


def _per_k(prior: CellPrior) -> float:
    return float(prior.table[-1, len(DOD_FRAC) // 2, PER_K])


def _is_suspicious(age_d: FloatArray, mv: FloatArray, end_d: float) -> bool:
    for recent_d in RECENT_D:
        late = age_d > end_d - recent_d
        if late.sum() < 5 or (~late).sum() < 10:
            continue
        now, before = (float(np.polyfit(age_d[part], mv[part], 1)[0]) for part in (late, ~late))
        if now < 0 and -now > SUSPICIOUS * max(-before, 0.0):
            return True
    return False


def _depths(
    prior: CellPrior, number: int, readings: tuple[FloatArray, FloatArray], noise_mv: float
) -> tuple[FloatArray, FloatArray]:
    """Depth by one candidate curve, and what the noise of a day makes of it."""
    mv, warm = readings
    curve = np.minimum.accumulate(prior.table[number, :, MEAN])
    depth = np.interp(-(mv - _per_k(prior) * warm), -curve, DOD_FRAC)
    slope = np.maximum(-np.interp(depth, DOD_FRAC, np.gradient(curve, DOD_FRAC)), 1.0)
    # A day on a flat stretch tells little: smooth the slope so that single days don't claim more.
    slope = np.convolve(np.pad(slope, 3, mode="edge"), np.ones(7) / 7.0, mode="valid")
    return depth, noise_mv / slope


def _evidence(
    days: tuple[FloatArray, FloatArray, FloatArray],
    depth: FloatArray,
    sd: FloatArray,
    scale: tuple[float, float, float],
) -> FloatArray:
    """Log marginal likelihood of no step (first) and of each onset and size. shape (1 + n_onsets * n_sizes,)"""
    age, counted, warm = days
    end_d, mean_mah, capacity_mah = scale
    on_d = np.maximum(age[None, :] - (end_d - ONSETS_D)[:, None], 0.0)
    extra = (mean_mah * SIZES[:, None, None] * on_d[None]).reshape(-1, len(age))
    drawn = (counted[None, :] + np.concatenate([np.zeros((1, len(age))), extra])) / capacity_mah
    reach = np.maximum(np.ptp(drawn, axis=1), 1e-6)[:, None]
    middle = (drawn - drawn.mean(axis=1, keepdims=True)) / reach
    bend = reach * (middle**2 - (middle**2).mean(axis=1, keepdims=True)) * BEND_SD
    level = np.full_like(drawn, 0.3)
    design = np.stack([level, drawn * PACE_SD, bend, np.broadcast_to(0.002 * warm, drawn.shape)], axis=-1)
    rest = depth[None, :] - drawn  # the pace's prior mean is the believed capacity
    weight = 1.0 / (sd**2 * NOISE_SHARED)
    precision = np.einsum("hnj,n,hnk->hjk", design, weight, design) + np.eye(4)
    pull = np.einsum("hnj,n,hn->hj", design, weight, rest)
    solved = np.linalg.solve(precision, pull[..., None])[..., 0]
    misfit = (rest**2 * weight).sum(axis=1) - (pull * solved).sum(axis=1)
    made: FloatArray = -0.5 * misfit - 0.5 * np.linalg.slogdet(precision)[1]
    return made


def _summary(log: FloatArray, weight: FloatArray, end_d: float) -> HiddenDrain | None:
    cells = log.shape[1] - 1
    began = end_d - SKIP_D > ONSETS_D
    prior = np.tile(began / max(began.sum(), 1), len(SIZES)) / len(SIZES)
    with np.errstate(divide="ignore"):
        odds = log + np.log(np.append(1.0 - PRIOR_SHARE, PRIOR_SHARE * prior))
    top = odds.max(axis=1)
    if not np.isfinite(top).any():
        return None
    part = np.exp(odds - np.where(np.isfinite(top), top, 0.0)[:, None])
    total = part.sum(axis=1, keepdims=True)
    part = np.divide(part, total, out=np.zeros_like(part), where=total > 0)
    fit = np.exp(TRUST_CURVE * (top - top[np.isfinite(top)].max())) * weight
    joint = (np.where(np.isfinite(fit), fit, 0.0)[:, None] * part).sum(axis=0)
    joint /= joint.sum()
    share = float(joint[1:].sum())
    if share < SHARE_LEAST or cells < 1:
        return None
    inside = joint[1:].reshape(len(SIZES), len(ONSETS_D)) / share
    log_sizes = np.log(SIZES)
    ago, size = float(inside.sum(axis=0) @ ONSETS_D), float(inside.sum(axis=1) @ log_sizes)
    ago_sd = float(np.sqrt(inside.sum(axis=0) @ (ONSETS_D - ago) ** 2))
    size_sd = float(np.sqrt(inside.sum(axis=1) @ (log_sizes - size) ** 2))
    return HiddenDrain(min(share, 0.97), end_d - ago, max(ago_sd, 1.5), size, max(size_sd, 0.12))
