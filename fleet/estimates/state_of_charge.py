"""Charge left, by counting and by voltage: particles weighed by the voltages a battery has shown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from fleet.estimates.cell_prior import MEAN, PER_K, RESISTANCE, REST_VAR, CellPrior
from fleet.estimates.evidence import Evidence
from fleet.estimates.hypotheses import DIMENSIONS, Beliefs, Particles, ages_of, depth_of_discharge, particles_of
from fleet.profiles.chemistry import Chemistry

FloatArray = NDArray[np.float64]
ShortArray = NDArray[np.float32]

TRUST = 0.4  # power of the likelihood, see Notes of `weigh`
STEPS_MOST = 40
MOVES = 2  # rounds of moves after each step of trust
DEAD_DOD = 1.15  # nothing is read from a battery beyond this depth
IMPOSSIBLE = -1e9
RESISTANCE_SPREAD_K = 30.0  # the spread of the temperature factor of resistance is that of so many kelvin below 20 °C
SINGLE_SLACK = np.float32(1.0 + 3e-6)  # keeps the bordered matrix positive in single precision
OFFSET_SD_MV = 5.0  # of a converter that has a gain error too


@dataclass(frozen=True)
class Filtered:
    """Equally weighted draws of one battery's state at the moment of judging.

    `departures` are draws of how far each cell leaves its curve, in units of the prior's shapes. (n, n_departures)
    """

    places: FloatArray
    particles: Particles
    dod_frac: FloatArray  # (n,) now
    dod_history: FloatArray  # (n, n_spans) at the evidence's ages
    departures: FloatArray
    resistance_departures: FloatArray  # (n, 2): along the discharge, along the temperature; standard deviations


def weigh(
    shown: Evidence,
    beliefs: Beliefs,
    chemistry: Chemistry,
    prior: CellPrior,
    *,
    draws: int,
    seed: int = 0,
) -> Filtered:
    """Draws of what is true of one battery, given its voltages.

    Notes
    -----
    Sequential Monte Carlo: the particles start on the prior (Sobol points), and the likelihood's power is raised step
    by step, with resampling and differential-evolution moves between (Del Moral, Doucet & Jasra 2006; ter Braak 2006;
    both from memory). Smooth departures of the curve, gain and temperature coefficient are integrated out exactly.
    The power ends at TRUST, for rest and load readings together, not at 1: all curves are wrong a little, and a full
    likelihood would be sure of the wrong one (coarsened posterior, Miller & Dunson 2019, from memory; 0.4 chosen on
    15 simulated cells with their own curves left out). The same seed gives the same draws.
    """
    rng = np.random.default_rng(seed)
    likelihood = _Likelihood(shown, beliefs, chemistry, prior)
    sobol = qmc.Sobol(DIMENSIONS, rng=np.random.default_rng(seed))
    places = sobol.random_base2(int(np.ceil(np.log2(draws))))[:draws]
    if len(shown.mv):
        places = _tempered(places, likelihood, rng)
    return likelihood.filtered(places, rng)


class _Likelihood:
    """Marginal likelihood of one battery's voltages. Holds values only; nothing in it changes."""

    def __init__(self, shown: Evidence, beliefs: Beliefs, chemistry: Chemistry, prior: CellPrior) -> None:
        self.shown, self.beliefs, self.prior = shown, beliefs, prior
        short = np.float32
        self.mv, self.variance_mv2 = shown.mv.astype(short), shown.variance_mv2.astype(short)
        self.warm_k = (shown.temp_c - 20.0).astype(short)
        heat = chemistry.resistance_by_temp.at(shown.temp_c)
        sag_mv = np.where(shown.loaded, beliefs.radio_ma * beliefs.resistance_mohm / 1000.0 * heat, 0.0)
        self.sag_mv = sag_mv.astype(short)
        fixed = [beliefs.gain_sd * shown.mv, np.full(len(shown.mv), OFFSET_SD_MV)]
        fixed.append(beliefs.series * prior.per_k_sd * (shown.temp_c - 20.0))
        self.fixed = np.stack(fixed, axis=-1).astype(short)
        heat_sd = chemistry.resistance_by_temp.sd * (20.0 - shown.temp_c) / RESISTANCE_SPREAD_K
        self.heat_sd = heat_sd.astype(short)
        self.deep_sd = short(chemistry.resistance_by_dod.sd)
        self.trust = TRUST * max(shown.loaded.mean(), 1.0 - shown.loaded.mean()) if len(shown.mv) else TRUST

    def log_of(self, places: FloatArray) -> FloatArray:
        """Log of the marginal likelihood. shape (n,)"""
        particles = particles_of(places, self.beliefs, self.prior)
        dod = depth_of_discharge(particles, self.beliefs, self.shown, ages_of(self.shown))
        joint, log_variance = self._normal_equations(particles, dod[:, :-1])
        # The factor's last entry is what the departures leave of the misfit, its others the size of their posterior.
        diagonal = np.diagonal(np.linalg.cholesky(joint), axis1=1, axis2=2).astype(float)
        log = -0.5 * (diagonal[:, -1] ** 2 + log_variance) - np.log(diagonal[:, :-1]).sum(axis=1)
        return np.where(np.isfinite(log) & (dod[:, -1] <= DEAD_DOD), log, IMPOSSIBLE)

    def _normal_equations(self, particles: Particles, dod: FloatArray) -> tuple[ShortArray, FloatArray]:
        """Posterior precision of the departures, bordered by their pull and the squared misfit; log of the variances.

        Shapes (n, n_shapes + 1, n_shapes + 1) and (n,).
        """
        table = self.prior.at(particles.hypothesis, dod)
        series = np.float32(self.beliefs.series)
        sag = self.sag_mv * table[..., RESISTANCE] * particles.resistance_factor.astype(np.float32)[:, None]
        mean = series * (table[..., MEAN] + table[..., PER_K] * self.warm_k) - sag
        variance = self.variance_mv2 + series**2 * table[..., REST_VAR]
        curve = self.prior.n_departures
        shapes = np.empty((*dod.shape, curve + 3 + self.fixed.shape[1]), dtype=np.float32)
        np.multiply(table[..., PER_K + 1 :], series, out=shapes[..., :curve])
        shapes[..., curve] = -sag * self.deep_sd * (1.0 - 1.0 / table[..., RESISTANCE])
        shapes[..., curve + 1] = -sag * self.heat_sd
        shapes[..., curve + 2 : -1] = self.fixed
        shapes[..., -1] = self.mv - mean
        shapes /= np.sqrt(variance)[..., None]
        joint: ShortArray = np.matmul(np.swapaxes(shapes, 1, 2), shapes)
        own = np.arange(joint.shape[1])
        joint[:, own[:-1], own[:-1]] += 1.0
        joint[:, -1, -1] = joint[:, -1, -1] * SINGLE_SLACK + 1e-3
        return joint, np.log(variance).sum(axis=1, dtype=float)

    def filtered(self, places: FloatArray, rng: np.random.Generator) -> Filtered:
        """The state at these places, with draws of the departures."""
        particles = particles_of(places, self.beliefs, self.prior)
        dod = depth_of_discharge(particles, self.beliefs, self.shown, ages_of(self.shown))
        departures = rng.standard_normal((len(places), self.prior.n_departures + 2 + self.fixed.shape[1]))
        if len(self.shown.mv):
            joint, _ = self._normal_equations(particles, dod[:, :-1])
            factor = np.linalg.cholesky(joint).astype(float)
            upper, pull = np.swapaxes(factor[:, :-1, :-1], 1, 2), factor[:, -1, :-1]
            departures = np.linalg.solve(upper, (pull + departures)[..., None])[..., 0]
        curve = self.prior.n_departures
        return Filtered(
            places, particles, dod[:, -1], dod[:, :-1], departures[:, :curve], departures[:, curve : curve + 2]
        )


def _tempered(places: FloatArray, likelihood: _Likelihood, rng: np.random.Generator) -> FloatArray:
    count = len(places)
    log = likelihood.log_of(places)
    power = 0.0
    for _ in range(STEPS_MOST):
        step = _next_power(log, power, likelihood.trust)
        weight = np.exp((step - power) * (log - log.max()))
        ladder = np.cumsum(weight) / weight.sum()
        chosen = np.minimum(np.searchsorted(ladder, (np.arange(count) + rng.random()) / count), count - 1)
        places, log, power = places[chosen], log[chosen], step
        for _ in range(MOVES):
            places, log = _moved(places, log, power, likelihood, rng)
        if power >= likelihood.trust:
            break
    return places


def _next_power(log: FloatArray, power: float, trust: float) -> float:
    """The next power of the likelihood: as far as a quarter of the particles still count."""

    def count(step: float) -> float:
        weight = np.exp((step - power) * (log - log.max()))
        return float(weight.sum() ** 2 / (weight**2).sum())

    if count(trust) > len(log) / 4:
        return trust
    low, high = power, trust
    for _ in range(20):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if count(middle) > len(log) / 4 else (low, middle)
    return max(low, power + 1e-4)


def _moved(
    places: FloatArray, log: FloatArray, power: float, likelihood: _Likelihood, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """One Metropolis round: each particle tries a step along the difference of two others."""
    count = len(places)
    normal = ndtri(np.clip(places, 1e-6, 1.0 - 1e-6))
    one, other = rng.integers(count, size=count), rng.integers(count, size=count)
    length = 2.38 / np.sqrt(2 * DIMENSIONS) * rng.choice([0.3, 1.0], size=count)
    length = np.where(rng.random(count) < 0.1, 1.0, length)  # now and then from one mode to another
    along = np.where(rng.random(normal.shape) < 0.7, length[:, None] * (normal[one] - normal[other]), 0.0)
    tried = normal + along + 0.02 * rng.standard_normal(normal.shape)
    tried_places = ndtr(tried)
    tried_log = likelihood.log_of(tried_places)
    odds = power * (tried_log - log) - 0.5 * (tried**2).sum(axis=1) + 0.5 * (normal**2).sum(axis=1)
    taken = np.log(rng.random(count)) < odds
    return np.where(taken[:, None], tried_places, places), np.where(taken, tried_log, log)
