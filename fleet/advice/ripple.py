"""What rides on the slow reading from poll to poll, and how often it trips and re-arms a band edge near by."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, log, sqrt

import numpy as np
from scipy.special import ndtr

NODES_COUNT = 25
REACH_SD = 3.6
FAR_SD = 6.0
NEVER = 1e-9


@dataclass(frozen=True)
class Ripple:
    """Waves (correlated over `wave_s`) and reading noise (new at every poll), in the reading's unit.

    `noise_sd` is that of a poll as averaged now; `poll_s` the time between polls.
    """

    wave_sd: float
    wave_s: float
    noise_sd: float
    poll_s: float

    @property
    def sd(self) -> float:
        """Spread of one poll about the slow reading."""
        return float(np.hypot(self.wave_sd, self.noise_sd))

    def other(self, *, noise_ratio: float, poll_s: float) -> Ripple:
        """The same water seen with another averaging and another period."""
        return Ripple(self.wave_sd, self.wave_s, self.noise_sd * noise_ratio, poll_s)


@dataclass(frozen=True)
class EdgeRates:
    """Rates of tripping while armed and of re-arming while tripped, by margin: threshold minus slow reading."""

    margin: np.ndarray
    log_trip: np.ndarray
    log_rearm: np.ndarray

    def at(self, margin: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Trips and re-armings each second at these margins."""
        trip = np.exp(np.interp(margin, self.margin, self.log_trip))
        return trip, np.exp(np.interp(margin, self.margin, self.log_rearm))


def edge_rates(ripple: Ripple, hyst: float) -> EdgeRates:
    """Rates of one band edge, as if the slow reading stood still.

    Parameters
    ----------
    ripple
        What rides on the reading.
    hyst
        How far back inside the band re-arms the edge.

    Notes
    -----
    Stationary law of a two-state chain (armed, tripped) over the wave's value: the wave moves as a first-order
    autoregression over blocks of a tenth of its correlation time, the noise is new at each poll in a block. For a wave
    of no size it is the white-noise cycle 1/p + 1/q. Holds while the slow reading moves little in one `wave_s`.

    Examples
    --------
    White noise at the threshold with no hysteresis: trips on every second poll while armed, and re-arms as often.

    >>> rates = edge_rates(Ripple(0.0, 10.0, 1.0, 1.0), 0.0)
    >>> [round(float(v[0]), 3) for v in rates.at(np.array([0.0]))]
    [0.5, 0.5]
    """
    sd = max(ripple.sd, 1e-9)
    key = (round(log(max(ripple.wave_sd / sd, 1e-4)), 3), round(log(max(ripple.wave_s / ripple.poll_s, 1e-3)), 3))
    table = _table(key[0], key[1], round(hyst / sd, 4))
    return EdgeRates(table[0] * sd, table[1] - log(ripple.poll_s), table[2] - log(ripple.poll_s))


@lru_cache(maxsize=4096)
def _table(log_wave_share: float, log_wave_polls: float, hyst: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Margins, log rates of tripping and of re-arming; in units of the ripple's spread and of one poll."""
    wave_sd = exp(log_wave_share)
    noise_sd = sqrt(max(1.0 - wave_sd**2, 4e-4))
    block = max(1.0, 0.1 * exp(log_wave_polls))
    rho = exp(-block / exp(log_wave_polls))
    fine = np.linspace(-FAR_SD, FAR_SD, 33)
    margin = np.unique(np.concatenate([fine, hyst + fine]))
    wave = np.linspace(-REACH_SD, REACH_SD, NODES_COUNT)
    start = np.exp(-0.5 * wave**2)
    start /= start.sum()
    step = np.exp(-((wave[None, :] - rho * wave[:, None]) ** 2) / (2.0 * (1.0 - rho**2)))
    step /= step.sum(axis=1, keepdims=True)
    room = margin[:, None] - wave_sd * wave[None, :]
    trip = np.maximum(ndtr(-room / noise_sd), NEVER)
    rearm = np.maximum(ndtr((room - hyst) / noise_sd), NEVER)
    settled = rearm / (trip + rearm)
    left = np.maximum(1.0 - trip - rearm, 0.0)
    kept = left**block
    system = np.eye(NODES_COUNT)[None] - step.T[None] * kept[:, None, :]
    known = (start * settled * (1.0 - kept)) @ step
    armed = np.linalg.solve(system, known[..., None])[..., 0]
    wakes = trip * (start * settled * block + (armed - start * settled) * (1.0 - kept) / np.maximum(1.0 - left, 1e-15))
    rate = np.maximum(wakes.sum(axis=1) / block, 1e-3 * NEVER)
    share = np.clip(armed.sum(axis=1), 1e-3 * NEVER, 1.0 - 1e-3 * NEVER)
    top = np.log(np.minimum(rate / share, 1.0)), np.log(np.minimum(rate / (1.0 - share), 1.0))
    return margin, *top
