"""A threshold inside the noise or the daily swing of the reading: many wakes, all at the edge, close together."""

from __future__ import annotations

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.peers import others_median
from fleet.flags.resets import first_of_last
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView, FloatArray, nan_mean, nan_median
from fleet.units import S_PER_D
from fleet.words import Flag

WINDOW_D = 7
PAST_D = 56
LEAST_BAND_PER_D = 4.0
LEAST_CLOSE_SHARE = 0.35
LEAST_NEAR_SHARE = 0.6
LEAST_RISE = 2.5
CLOSE_S = 600.0
LEAST_BUSY_D = 3
STORM_SHARE = 0.4
SPRING_TIDES_D = 14  # an edge that only spring tides reach chatters once a fortnight


def edge_chatter(view: FleetView) -> Verdicts:
    """True where band wakes follow one another more closely than chance, or lie at the edge and have multiplied.

    Notes
    -----
    With so many wakes a day, a share 1 − exp(−600 s × rate) follows another within ten minutes by chance; only what
    is above that counts. A reading is at the edge in every crossing that is polled fast enough, so that alone is no
    evidence: the band wakes must also be 2.5 times what they were, or what they are for the others of the site.
    Where the median of the others has four tenths as many in the same week, it is weather: the strength falls and
    the evidence says so.
    """
    seen, band = view["seen"], view.band_wakes
    close = np.where(np.isfinite(view["band_close"]), view["band_close"], np.nan)
    other_rate = np.where(np.isfinite(seen), np.maximum(seen - np.nan_to_num(close), 0.0), np.nan)
    chance = 1.0 - np.exp(-CLOSE_S * other_rate / S_PER_D)
    with np.errstate(divide="ignore", invalid="ignore"):
        beyond = (close - chance * band) / (1.0 - chance)
    recent = np.s_[:, -WINDOW_D:]
    band_per_d, beyond_per_d = nan_mean(band[recent]), nan_mean(beyond[recent])
    with np.errstate(divide="ignore", invalid="ignore"):
        close_share = beyond_per_d / band_per_d
        near = np.nansum(view["edge_near"][recent], axis=1) / np.nansum(band[recent], axis=1)
    busy = np.nan_to_num(beyond) >= max(LEAST_CLOSE_SHARE * LEAST_BAND_PER_D, 2.0)
    rise = _rise(view, band, band_per_d)
    enough = band_per_d >= LEAST_BAND_PER_D
    crowded = enough & (close_share >= LEAST_CLOSE_SHARE) & (busy[recent].sum(axis=1) >= LEAST_BUSY_D)
    risen = np.nan_to_num(band) >= np.maximum(LEAST_BAND_PER_D, 0.5 * np.nan_to_num(band_per_d))[:, None]
    swung = enough & (near >= LEAST_NEAR_SHARE) & (rise >= LEAST_RISE) & (risen[recent].sum(axis=1) >= LEAST_BUSY_D)
    hit = crowded | swung
    neighbours = np.nan_to_num(others_median(np.where(crowded, beyond_per_d, band_per_d), view.site_codes))
    storm = (neighbours >= STORM_SHARE * np.where(crowded, beyond_per_d, band_per_d)) & hit
    swings = risen & (rise >= LEAST_RISE)[:, None]
    heavy = busy & (np.nan_to_num(beyond) >= 0.3 * np.nan_to_num(beyond_per_d)[:, None])
    since_d = view.first_day + first_of_last(np.where(crowded[:, None], heavy, swings), SPRING_TIDES_D)
    score = np.log(np.maximum(np.nan_to_num(beyond_per_d), 0.5)) + np.nan_to_num(close_share) - 6.0 * storm

    def say(index: int) -> str:
        told = (
            f"{band_per_d[index]:.1f} band wakes a day in the last week, "
            f"{max(close_share[index], 0):.0%} of them closer together than chance"
        )
        if np.isfinite(near[index]):
            told += f", {near[index]:.0%} within the reading's noise of the edge"
        return told + ("; its neighbours do the same: weather at the site." if storm[index] else ".")

    return verdicts(
        Flag.EDGE_CHATTER,
        np.nan_to_num(hit).astype(bool),
        np.isfinite(band_per_d),
        since_d=since_d,
        strength=calibrated(Flag.EDGE_CHATTER, score),
        say=say,
        part="threshold and hysteresis",
    )


def _rise(view: FleetView, band: FloatArray, recent: FloatArray) -> FloatArray:
    """How many times more band wakes than before, and than the others of the site have now; the smaller one."""
    before = nan_median(band[:, -PAST_D:-WINDOW_D]) if view.shape[1] > WINDOW_D else np.full(len(recent), np.nan)
    past = nan_mean(band[:, -PAST_D:-WINDOW_D]) if view.shape[1] > WINDOW_D else before
    usual = np.fmax(np.fmin(before, past), 0.5)
    now = others_median(recent, view.site_codes)
    return np.asarray(recent / np.fmax(np.fmax(usual, now), 0.5), dtype=float)
