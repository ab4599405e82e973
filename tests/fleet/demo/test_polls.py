"""Band wakes of the simulated coprocessor against closed forms on a stationary process."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from fleet.demo.polls import Firmware, Ripple, band_wakes
from fleet.messages import BandSettings

PERIOD_MS = 100.0
FAR = -99.0


def rate_per_poll(
    upper: float, rho: float, *, hyst: float = 0.0, lower: float = FAR, days: int = 8, seed: int = 5
) -> float:
    """Wakes a poll of an AR(1) reading of sd 1 about a level that stands still."""
    wave_s = -PERIOD_MS / 1000 / np.log(rho)
    found = band_wakes(
        np.zeros(1440 * days + 1),
        0.0,
        BandSettings(lo=lower, hi=upper, hyst=hyst, period_ms=PERIOD_MS, avg=1),
        Ripple(wave_sd=1.0, wave_s=wave_s, noise_sd=0.0),
        firmware=Firmware(),
        rng=np.random.default_rng(seed),
    )
    return len(found.t_s) / (1440 * days * 600)


@pytest.mark.parametrize(("upper", "rho", "printed"), [(0.0, 0.9, 0.071783147), (2.0, 0.99, 0.003038489)])
def test_edge_wakes_of_a_polled_ar1_reading(upper: float, rho: float, printed: float) -> None:
    """2 OwenT(u, sqrt((1 - rho) / (1 + rho))): Owen, Ann. Math. Statist. 27 (1956) 1075; arccos(rho)/2pi at 0."""
    assert rate_per_poll(upper, rho) == pytest.approx(printed, rel=0.03)


def test_both_edges_of_a_band_wake_twice_as_often() -> None:
    """Band [-2, 2] at rho .99: .006076979 a poll, by the same identity."""
    assert rate_per_poll(2.0, 0.99, lower=-2.0) == pytest.approx(0.006076979, rel=0.03)


@pytest.mark.parametrize(("rho", "printed", "days"), [(0.99, 0.001209160, 8), (0.999, 0.000148458, 30)])
def test_hysteresis_of_half_a_sd(rho: float, printed: float, days: int) -> None:
    """Trip at 2 sd, re-arm at 1.5 sd, polled: stationary law by quadrature, printed to 9 places."""
    assert rate_per_poll(2.0, rho, hyst=0.5, days=days) == pytest.approx(printed, rel=0.06)


def test_rough_noise_is_averaged_by_the_coprocessor() -> None:
    assert Ripple(wave_sd=0.0, noise_sd=0.4).poll_sd(16) == pytest.approx(0.1)


def slow_swing() -> np.ndarray:
    """Two days of a level that leaves the band four times, slowly, through both edges."""
    return np.sin(2 * np.pi * np.arange(2880) / 1440)


SWING = BandSettings(lo=-0.8, hi=0.8, hyst=0.1, period_ms=100.0, avg=1)


def test_a_calm_crossing_wakes_once_and_on_the_right_side() -> None:
    found = band_wakes(
        slow_swing(), 0.0, SWING, Ripple(wave_sd=1e-4, noise_sd=0.0), firmware=Firmware(), rng=np.random.default_rng(1)
    )
    assert found.is_high.tolist() == [True, False, True, False]
    assert_allclose(found.t_s[0] / 60, 1440 * np.arcsin(0.8) / (2 * np.pi), atol=0.2)


def test_looking_only_where_it_matters_changes_nothing() -> None:
    """Wider polling, forced by a huge allowed error, must find the same number of wakes on average."""
    ripple = Ripple(wave_sd=0.02, wave_s=20.0, noise_sd=0.0)
    rough = BandSettings(lo=-0.8, hi=0.8, hyst=0.0, period_ms=100.0, avg=1)
    found = [
        len(band_wakes(slow_swing(), 0.0, rough, ripple, firmware=Firmware(), rng=np.random.default_rng(s)).t_s)
        for s in range(12)
    ]
    every = [_every_poll(ripple, rough, seed) for seed in range(100, 112)]
    assert np.mean(found) == pytest.approx(np.mean(every), rel=0.15)


def _every_poll(ripple: Ripple, settings: BandSettings, seed: int) -> int:
    """The plain way: every poll of both days, straight loops left to numpy."""
    rng = np.random.default_rng(seed)
    minutes = np.arange(2879 * 600) / 600
    rho = np.exp(-0.1 / ripple.wave_s)
    from scipy.signal import lfilter

    wave = lfilter([np.sqrt(1 - rho**2)], [1, -rho], rng.standard_normal(len(minutes))) * ripple.wave_sd
    value = np.interp(minutes, np.arange(2880), slow_swing()) + wave
    out = (value > (settings.hi or 0)) | (value < (settings.lo or 0))
    return int((out[1:] & ~out[:-1]).sum())


def test_no_wake_falls_into_the_hold_off() -> None:
    rough = BandSettings(lo=FAR, hi=1.0, hyst=0.0, period_ms=100.0, avg=1)
    found = band_wakes(
        np.zeros(1441),
        0.0,
        rough,
        Ripple(wave_sd=1.0, wave_s=5.0),
        firmware=Firmware(deaf_s=3.0),
        rng=np.random.default_rng(2),
    )
    assert len(found.t_s) > 100
    assert np.diff(found.t_s).min() >= 3.0


def test_level_rearmed_firmware_wakes_every_hold_off_while_outside() -> None:
    """Outside from minute 10 on for 120 minutes, hold-off 600 s: 12 wakes, one more if both ends count."""
    level = np.zeros(200)
    level[10:130] = 1.0
    band = BandSettings(lo=-0.5, hi=0.5, hyst=0.0, period_ms=100.0, avg=1)
    found = band_wakes(
        level, 0.0, band, Ripple(wave_sd=1e-4, noise_sd=0.0), firmware=Firmware(rearm="level", deaf_s=600.0),
        rng=np.random.default_rng(3),
    )  # fmt: skip
    assert len(found.t_s) in (12, 13)


def test_without_a_band_nothing_wakes() -> None:
    found = band_wakes(np.zeros(100), 0.0, BandSettings(), Ripple(), firmware=Firmware(), rng=np.random.default_rng(4))
    assert len(found.t_s) == 0
