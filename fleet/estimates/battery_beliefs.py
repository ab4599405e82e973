"""What is believed of a battery before its voltage is read: from profile and chemistry."""

from __future__ import annotations

import numpy as np

from fleet.estimates.hypotheses import Beliefs
from fleet.profiles.chemistry import Chemistry
from fleet.profiles.profile import Figure, Profile

BRAND_SHARE = 0.15  # of packs whose printed capacity is a maker's own (common practice, no source)
CAPACITY_LEAST_LOG_SD = 0.08  # however well a capacity is stated, no two cells are alike
UNSTATED_FLOOR_LOG_SD = 0.28
UNSTATED_FLOOR_LOG_MEAN = 0.2  # sleep currents from data sheets leave out leaks of the board
UNSTATED_WAKE_LOG_SD = 0.17
STATED_LEAST_LOG_SD = 0.10
USED_SHARE = 0.2  # of packs are part-used when they go in
USED_SHARE_UNTOLD = 0.5  # nobody said when the pack went in
EXTRA_SHARE = 0.15  # of nodes have a drain that no record tells of
MAINS_EXTRA_SHARE = 1e-6
RESISTANCE_BY_SIZE = 0.7  # power of the capacity: small cells are built with thinner plates
CONTACTS_MOHM = 60.0  # holder, leads, protection
RESISTANCE_UNSTATED_LOG_SD = 0.4


def beliefs_of(
    profile: Profile,
    chemistry: Chemistry,
    *,
    told_start: bool,
    before_mah: float,
    self_discharge_per_d: float,
    recharged: bool,
) -> Beliefs:
    """Beliefs about one battery of a node.

    Notes
    -----
    A figure without a stated spread gets a wide one: printed capacity is optimistic (measured over printed: median
    0.80 in 74 consumer packs), and currents taken from data sheets are off by up to 40 %. Shares and spreads that
    carry no other source are common practice, no source.
    """
    battery = profile.battery
    floor = _log_of(profile.sleep.current_ua, UNSTATED_FLOOR_LOG_MEAN, UNSTATED_FLOOR_LOG_SD)
    loud = _burst_figure(profile)
    wake = _log_of(loud, 0.0, UNSTATED_WAKE_LOG_SD)
    share, share_sd = _capacity_share(battery.capacity_mah, chemistry)
    ohm, ohm_log_sd = _resistance(profile, chemistry)
    return Beliefs(
        capacity_mah=battery.capacity_mah.mean * battery.parallel * share,
        capacity_log_sd=share_sd,
        used_share=USED_SHARE if told_start else USED_SHARE_UNTOLD,
        used_before_mah=before_mah,
        floor_log_mean=floor[0],
        floor_log_sd=floor[1],
        wake_log_mean=wake[0],
        wake_log_sd=wake[1],
        extra_share=MAINS_EXTRA_SHARE if recharged else EXTRA_SHARE,
        self_discharge_per_d=self_discharge_per_d,
        gain_sd=profile.measure.gain_sd,
        series=battery.series,
        resistance_mohm=ohm,
        resistance_log_sd=ohm_log_sd,
        radio_ma=loud.mean,
        cutoff_mv=battery.cutoff_mv,
        recharged=recharged,
    )


def _burst_figure(profile: Profile) -> Figure:
    """The current under which the battery sags most: the radio's, or the awake current of a node without one."""
    wake = profile.wake.current_ma
    if profile.radio is None or profile.radio.current_ma.mean < wake.mean:
        return wake
    return profile.radio.current_ma


def _log_of(figure: Figure, unstated_mean: float, unstated_sd: float) -> tuple[float, float]:
    if figure.sd <= 0 or figure.mean <= 0:
        return unstated_mean, unstated_sd
    return 0.0, float(np.hypot(np.sqrt(np.log1p((figure.sd / figure.mean) ** 2)), STATED_LEAST_LOG_SD))


def _capacity_share(capacity_mah: Figure, chemistry: Chemistry) -> tuple[float, float]:
    """Share of the stated capacity that a cell gives, and the spread of its logarithm."""
    if capacity_mah.sd > 0:
        stated = np.sqrt(np.log1p((capacity_mah.sd / capacity_mah.mean) ** 2))
        return 1.0, float(np.hypot(stated, CAPACITY_LEAST_LOG_SD))
    any_pack, brand = chemistry.measured_over_printed, chemistry.brand_over_printed
    mean = (1 - BRAND_SHARE) * any_pack.mean + BRAND_SHARE * brand.mean
    between = BRAND_SHARE * (1 - BRAND_SHARE) * (brand.mean - any_pack.mean) ** 2
    variance = (1 - BRAND_SHARE) * any_pack.sd**2 + BRAND_SHARE * brand.sd**2 + between
    return mean, float(np.sqrt(np.log1p(variance / mean**2)))


def _resistance(profile: Profile, chemistry: Chemistry) -> tuple[float, float]:
    """Resistance of the fresh pack at 20 °C and the spread of its logarithm. [mΩ]"""
    battery = profile.battery
    stated = battery.resistance_mohm
    if stated is not None:
        relative = stated.sd / stated.mean if stated.sd > 0 else 0.25
        return stated.mean, float(np.hypot(relative, 0.1))
    smaller = chemistry.resistance_of_mah / battery.capacity_mah.mean
    cell = chemistry.resistance_mohm.mean * smaller**RESISTANCE_BY_SIZE
    pack = cell * battery.series / battery.parallel + CONTACTS_MOHM
    return pack, float(np.hypot(chemistry.resistance_log_sd, RESISTANCE_UNSTATED_LOG_SD))
