"""What may be true of one battery and its node: particles over capacity, start, drain, curve and resistance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fleet.estimates.cell_prior import CellPrior
from fleet.estimates.evidence import Evidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DIMENSIONS = 9
FRESH_DOD = 0.03  # a pack sold as fresh may have lost so much
USED_DOD = 0.75  # a part-used pack is somewhere below
GROWS_SHARE = 0.5  # of hidden drains grow, a quarter stays level, a quarter has ended again
ENDED_SHARE = 0.25
WEAK_FROM = 1.64  # standard deviations: one in twenty lies beyond (common practice, no source)
WEAK_LOG = 0.8
BAD_CONTACT_FROM = 1.28  # standard deviations: one in ten lies beyond
BAD_CONTACT_LOG = 1.5
SEEN_GROWS_SHARE = 0.2  # of those that show as a step


@dataclass(frozen=True)
class Beliefs:
    """What is believed of one battery before its voltage is read."""

    capacity_mah: float  # of the pack, at the curve's depth 1
    capacity_log_sd: float
    used_share: float  # chance that the pack was part-used when it went in
    used_before_mah: float  # counted between fitting and the first day of the series
    floor_log_mean: float  # of the true floor over the profile's
    floor_log_sd: float
    wake_log_mean: float
    wake_log_sd: float
    extra_share: float  # chance of a drain that no record tells of
    self_discharge_per_d: float
    gain_sd: float
    series: int
    resistance_mohm: float  # pack, fresh, 20 °C
    resistance_log_sd: float
    radio_ma: float
    cutoff_mv: float
    recharged: bool = False
    extra_from: tuple[float, float] | None = None  # share of the time so far and its spread, where a step was seen
    extra_log: tuple[float, float] = (
        0.0,
        1.0,
    )  # of the hidden drain over the counted one: about as large, give or take


@dataclass(frozen=True)
class Particles:
    """Draws of what may be true; arrays of shape (n,)."""

    capacity_mah: FloatArray
    start_dod: FloatArray
    floor_factor: FloatArray
    wake_factor: FloatArray
    extra_from: FloatArray  # share of the time so far after which a hidden drain began
    extra: FloatArray  # hidden drain over the counted mean drain, when it was last on; 0 if there is none
    extra_grows: NDArray[np.bool_]
    extra_until: FloatArray  # share of the time since it began after which it ended, 1 if it has not
    hypothesis: IntArray
    resistance_factor: FloatArray

    @property
    def extra_now(self) -> FloatArray:
        """Hidden drain at the moment of judging, over the counted mean drain."""
        return np.where(self.extra_until < 1.0, 0.0, self.extra)


def particles_of(places: FloatArray, beliefs: Beliefs, prior: CellPrior) -> Particles:
    """The particles at places in the unit cube. shape of `places` (n, DIMENSIONS)"""
    inside = np.clip(places, 1e-6, 1.0 - 1e-6)
    normal = ndtri(inside)
    extra = inside[:, 4] < beliefs.extra_share
    seen = beliefs.extra_from is not None
    ended = extra & (inside[:, 6] > 1.0 - ENDED_SHARE)
    grows = inside[:, 6] < (GROWS_SHARE if not seen else SEEN_GROWS_SHARE)
    choose = np.searchsorted(np.cumsum(prior.weight), inside[:, 7])
    hypothesis = np.minimum(choose, len(prior.weight) - 1).astype(np.int64)
    spread = beliefs.capacity_log_sd * normal[:, 0] - _weak(normal[:, 0])
    return Particles(
        capacity_mah=beliefs.capacity_mah * prior.reach[hypothesis] * np.exp(spread),
        start_dod=_start_dod(inside[:, 1], beliefs),
        floor_factor=np.exp(beliefs.floor_log_mean + beliefs.floor_log_sd * normal[:, 2]),
        wake_factor=np.exp(beliefs.wake_log_mean + beliefs.wake_log_sd * normal[:, 3]),
        extra_from=np.where(extra, _began(inside[:, 4] / beliefs.extra_share, beliefs), 1.0),
        extra=np.where(extra, np.exp(beliefs.extra_log[0] + beliefs.extra_log[1] * normal[:, 5]), 0.0),
        extra_grows=grows,
        extra_until=np.where(ended, (inside[:, 6] - 1.0 + ENDED_SHARE) / ENDED_SHARE, 1.0),
        hypothesis=hypothesis,
        resistance_factor=np.exp(beliefs.resistance_log_sd * normal[:, 8] + _bad_contact(normal[:, 8])),
    )


def _weak(normal: FloatArray) -> FloatArray:
    """One pack in twenty is old, cheap or damaged and holds less than any stated spread tells, at worst half. [log]"""
    return np.asarray(WEAK_LOG * np.maximum(-normal - WEAK_FROM, 0.0), dtype=float)


def _bad_contact(normal: FloatArray) -> FloatArray:
    """One pack in ten sits in a contact that adds to its resistance, at worst many times over. [log]"""
    return np.asarray(BAD_CONTACT_LOG * np.maximum(normal - BAD_CONTACT_FROM, 0.0), dtype=float)


def _began(place: FloatArray, beliefs: Beliefs) -> FloatArray:
    """Share of the time so far after which a hidden drain began: anywhere, or about where a step was seen."""
    if beliefs.extra_from is None:
        return place
    middle, spread = beliefs.extra_from
    drawn = middle + spread * ndtri(np.clip(place, 1e-6, 1.0 - 1e-6))
    return np.asarray(np.clip(drawn, 0.0, 1.0), dtype=float)


def _start_dod(place: FloatArray, beliefs: Beliefs) -> FloatArray:
    if beliefs.recharged:
        return place  # anything from full to empty
    used = beliefs.used_share
    fresh = place < 1.0 - used
    as_fresh = FRESH_DOD * place / (1.0 - used)
    as_used = FRESH_DOD + (USED_DOD - FRESH_DOD) * (place - (1.0 - used)) / used
    return np.where(fresh, as_fresh, as_used)


def depth_of_discharge(particles: Particles, beliefs: Beliefs, shown: Evidence, ages: Ages) -> FloatArray:
    """Depth of discharge of each particle at some ages. shape (n, n_ages)

    Notes
    -----
    Counted floor and wakes, each by its factor, and the hidden drain, over capacity; self-discharge of what is left,
    to first order, with the mean depth so far taken for the path.
    """
    end_d = max(shown.end_d, 1e-6)
    began = particles.extra_from * end_d
    whole = np.maximum(end_d - began, 1e-6)
    on_d = np.clip(ages.age_d[None, :] - began[:, None], 0.0, (particles.extra_until * whole)[:, None])
    grown = np.where(particles.extra_grows[:, None], 0.5 * on_d**2 / np.maximum(whole, 1.0)[:, None], on_d)
    mean_mah = (shown.end_floor_mah + shown.end_wake_mah) / end_d
    counted = (
        particles.floor_factor[:, None] * ages.floor_mah
        + particles.wake_factor[:, None] * ages.wake_mah
        + (mean_mah * particles.extra)[:, None] * grown
        + beliefs.used_before_mah
    )
    left = 1.0 - particles.start_dod[:, None]
    drawn = counted / particles.capacity_mah[:, None]
    lost = beliefs.self_discharge_per_d * ages.age_d[None, :] * np.maximum(left - 0.5 * drawn, 0.0)
    return np.asarray(particles.start_dod[:, None] + drawn + lost, dtype=float)


@dataclass(frozen=True)
class Ages:
    """Moments of a battery's life and the charge counted up to them; arrays of shape (n_ages,)."""

    age_d: FloatArray
    floor_mah: FloatArray
    wake_mah: FloatArray


def ages_of(shown: Evidence) -> Ages:
    """The moments of the evidence, and the moment of judging as the last."""
    return Ages(
        np.append(shown.age_d, shown.end_d),
        np.append(shown.floor_mah, shown.end_floor_mah),
        np.append(shown.wake_mah, shown.end_wake_mah),
    )
