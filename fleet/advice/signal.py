"""Model of the sensed value of one node, from all it told, matched to the band wakes it really had."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from fleet.advice.cycles import Cycle, fit_cycle
from fleet.advice.evidence import NodeEvidence
from fleet.advice.firmware import Firmware, read_firmware
from fleet.advice.match import Match, crossings_count, match_edges
from fleet.advice.paths import draw_paths
from fleet.advice.quiet import looks_white, quiet_sleep
from fleet.advice.replay import Paths, run_band
from fleet.advice.ripple import Ripple
from fleet.advice.spread import Spread, fit_spread, pair_variances, whole_variance
from fleet.profiles.profile import Profile
from fleet.units import S_PER_D, S_PER_H

WINDOW_D = 28.0
CELLS_PER_D = 430.0
UNPROVEN_LOG_SD = 0.5  # of band wakes where the present settings are too new to have shown any
LEAST_SPREADS = 2.4
UNTOLD_RIPPLE_FRAC = 0.04  # of the spread of all readings, where neither sleeps nor wakes tell it (assumed)
WAVES_S = (2.0, 15.0, 100.0)


@dataclass(frozen=True)
class SignalModel:
    """The fitted reading, draws of what it may have been, and how its predictions compare with what happened.

    `seen_band` and `told_band` are band wakes in the days that count, observed and predicted; `match` corrects the
    latter, with spread `match_log_sd` of the logarithm. `n_effective` is the number of independent values the window
    is worth.
    """

    cycle: Cycle
    spread: Spread
    ripple: Ripple
    firmware: Firmware
    paths: Paths
    seen_band: tuple[float, float]
    told_band: tuple[float, float]
    match: tuple[Match, Match]
    match_log_sd: float
    other_per_d: float
    timer_per_d: float
    n_effective: float
    summaries: bool


def fit_signal(
    seen: NodeEvidence, profile: Profile, *, rng: np.random.Generator, draws_count: int = 4, window_d: float = WINDOW_D
) -> SignalModel:
    """Cycle, wandering part and ripple of one node's banded reading, with draws held to the records.

    Parameters
    ----------
    seen
        The node's records; at least a few days with readings.
    profile
        Its kind: re-arming, hold-off, period.
    rng
        Source of the draws.

    Notes
    -----
    Ripple is split by how far band wakes overshoot the edge (noise jumps, waves glide), and the waves' time is set so
    that the present settings give the band wakes that were seen; what then is left over is the ratio `match`.
    """
    firmware = read_firmware(seen, profile)
    cycle, spread = _slow_part(seen)
    noise_sd = noise_by_overshoot(seen, cycle, spread, firmware)
    if not spread.ripple_known and noise_sd is not None:
        spread = replace(spread, ripple_sd=max(spread.ripple_sd, noise_sd))
    elif not spread.ripple_known and not firmware.level:
        most_sd = UNTOLD_RIPPLE_FRAC * float(np.nanstd(seen.reading))  # else far samples' swing passes for ripple
        spread = replace(spread, ripple_sd=min(spread.ripple_sd, max(most_sd, 1e-9)))
    share = _noise_share(seen, spread, noise_sd)
    end_s = float(seen.t[-1])
    start_s = max(float(seen.t[0]), end_s - window_d * S_PER_D)
    step_s = max(firmware.poll_s, 30.0, S_PER_D / CELLS_PER_D)
    window_s = (start_s, end_s)
    paths = draw_paths(
        seen, cycle, spread, window_s=window_s, step_s=step_s, draws_count=draws_count, rng=rng, noise_frac=share
    )
    counted = seen.tells_now & (seen.t >= start_s)
    proven = float(seen.gap_s[counted].sum()) >= S_PER_D
    times = _with_lost(seen, counted)
    low, high = (float(times[counted & (seen.cause == cause)].sum()) for cause in (1, 2))
    days = max(paths.span_d, 1e-6)
    ripple, told = _waves_that_match(
        seen, spread, firmware, paths=paths, wanted=low + high if proven else None, likely=share
    )
    crossings = [
        0.0 if firmware.level else crossings_count(paths, seen.now, ripple, high=high) for high in (False, True)
    ]
    match = match_edges((low, high), told, (crossings[0], crossings[1])) if proven else (Match(), Match())
    timer = float(times[counted & seen.is_timer].sum()) / days if proven else S_PER_D / (seen.now.sleep_s or S_PER_D)
    other = float(times[counted & ~seen.is_timer & ~seen.is_band].sum()) / days
    return SignalModel(
        cycle=cycle,
        spread=spread,
        ripple=ripple,
        firmware=firmware,
        paths=paths,
        seen_band=(low, high) if proven else told,
        told_band=told,
        match=match,
        match_log_sd=float(np.sqrt(1.0 / (low + high + 2.0) + 0.0025)) if proven else UNPROVEN_LOG_SD,
        other_per_d=other,
        timer_per_d=timer,
        n_effective=max(1.0, days * S_PER_D / (2.0 * spread.tau_s)),
        summaries=spread.ripple_known,
    )


def _slow_part(seen: NodeEvidence) -> tuple[Cycle, Spread]:
    """Cycle and spread from samples at wakes that the reading did not choose, and from sleep summaries."""
    sample = np.isfinite(seen.reading) & ~seen.is_band
    if sample.sum() < 30:
        sample = np.isfinite(seen.reading)
    asleep = (seen.asleep_n >= 10) & np.isfinite(seen.asleep_mean) & (seen.gap_s > 60.0)
    t = np.concatenate([seen.t[sample], (seen.t - seen.gap_s / 2.0)[asleep]])
    value = np.concatenate([seen.reading[sample], seen.asleep_mean[asleep]])
    order = np.argsort(t)
    t, value = t[order], value[order]
    stands_for_s = np.clip(np.gradient(t), 1.0, 4.0 * S_PER_H) if len(t) > 1 else np.ones(len(t))
    cycle = fit_cycle(t, value, stands_for_s)
    residual = value - cycle.at(t)
    if asleep.sum() >= 60:
        means = np.concatenate([np.zeros(int(sample.sum()), bool), np.ones(int(asleep.sum()), bool)])[order]
        parts = [pair_variances(t[means], residual[means], has_ripple=False)]
    else:
        parts = [pair_variances(t, residual, has_ripple=True)]
    parts.append(whole_variance(t, residual, stands_for_s, has_ripple=asleep.sum() < 60))
    span_s = float(seen.t[-1] - seen.t[0])
    quiet = quiet_sleep(seen)
    fixed_sd = None if quiet is None else quiet.sd
    longest_s = span_s / 5.0
    spread = fit_spread(parts, shortest_s=max(60.0, span_s / 50_000.0), longest_s=longest_s, ripple_sd=fixed_sd)
    floor = 1e-4 * float(np.std(value)) + 1e-9
    return cycle, replace(spread, sd=max(spread.sd, floor), ripple_sd=max(spread.ripple_sd, floor))


def _with_lost(seen: NodeEvidence, counted: np.ndarray) -> np.ndarray:
    """How many wakes each counted record stands for: itself, and its share of those that never arrived."""
    lost = float(np.nan_to_num(seen.lost_count[counted]).sum())
    return np.full(len(seen.t), 1.0 + lost / max(float(counted.sum()), 1.0))


def _waves_that_match(
    seen: NodeEvidence, spread: Spread, firmware: Firmware, *, paths: Paths, wanted: float | None, likely: float
) -> tuple[Ripple, tuple[float, float]]:
    """Ripple that gives about the band wakes seen under the present settings, close to what else is known of it.

    Noise share and wave time are searched together: the logarithm of the wakes told is smooth in both, so it is worked
    out at nine points and read between them. Waves of 15 s, within a factor of 3, are the prior (assumed).
    """
    few = replace(paths, x=paths.x[:1])

    def told(share: float, wave_s: float, on: Paths) -> tuple[float, float]:
        passed = run_band(on, seen.now, _ripple(spread, share, wave_s, firmware, on.step_s), firmware)
        low, high = (float((edge.wakes * on.alive).sum()) / on.x.shape[0] for edge in (passed.low, passed.high))
        return low, high

    shares = np.clip(likely * np.array([0.4, 1.0, 2.0]), 0.05, 0.98)
    table = np.array([[np.log(sum(told(share, wave_s, few)) + 0.5) for wave_s in WAVES_S] for share in shares])
    log_share = np.linspace(float(np.log(shares[0])), float(np.log(shares[-1])), 21)
    log_wave = np.linspace(float(np.log(WAVES_S[0])), float(np.log(WAVES_S[-1])), 31)
    between = np.stack([np.interp(log_wave, np.log(WAVES_S), row) for row in table])
    fine = np.stack([np.interp(log_share, np.log(shares), column) for column in between.T], axis=1)
    off = 0.0 if wanted is None else (fine - np.log(wanted + 0.5)) ** 2 / (0.01 + 1.0 / (wanted + 0.5))
    loss = off + ((log_share[:, None] - np.log(likely)) / 0.4) ** 2 + ((log_wave - np.log(15.0)) / 1.1) ** 2
    i, j = np.unravel_index(int(np.argmin(loss)), loss.shape)
    share, wave_s = float(np.exp(log_share[i])), float(np.exp(log_wave[j]))
    return _ripple(spread, share, wave_s, firmware, paths.step_s), told(share, wave_s, paths)


def _ripple(spread: Spread, noise_share: float, wave_s: float, firmware: Firmware, step_s: float) -> Ripple:
    """Ripple of this make-up, with the wandering that the grid's cells are too wide to show added to its waves."""
    wave_sd = spread.ripple_sd * float(np.sqrt(max(1.0 - noise_share**2, 0.0)))
    within = spread.sd**2 / spread.tau_s * step_s / 3.0
    rate = wave_sd**2 / max(wave_s, firmware.poll_s) + within / (step_s / 3.0)
    waves = wave_sd**2 + within
    long_s = max(waves / max(rate, 1e-300), firmware.poll_s)
    return Ripple(float(np.sqrt(waves)), long_s, spread.ripple_sd * noise_share, firmware.poll_s)


def _noise_share(seen: NodeEvidence, spread: Spread, noise_sd: float | None) -> float:
    """Share of the ripple's spread that is new at each poll."""
    if looks_white(seen):
        return 0.95
    return 0.7 if noise_sd is None else float(np.clip(noise_sd / max(spread.ripple_sd, 1e-12), 0.15, 0.98))


def noise_by_overshoot(seen: NodeEvidence, cycle: Cycle, spread: Spread, firmware: Firmware) -> float | None:
    """Spread of what is new at each poll, from how far band wakes overshoot the edge; None if they do not tell,
    as under level re-arming, where later wakes of a stay outside read far beyond.

    A reading that comes up slowly trips the edge from farther out, where a normal noise overshoots less: from k spreads
    out by 1/h(k) - k of them, h being Mills' ratio. What the slow reading itself moves from poll to poll is taken off.
    """
    beyond = np.where(seen.cause == 1, seen.band_lo - seen.reading, seen.reading - seen.band_hi)
    beyond = beyond[seen.is_band & np.isfinite(beyond)]
    if firmware.level or len(beyond) < 8 or (beyond >= -1e-9).mean() < 0.7:
        return None
    overshoot = float(np.mean(np.sort(beyond[beyond >= 0])[: max(1, int(0.95 * len(beyond)))]))
    t = seen.t[:: max(1, len(seen.t) // 200)]
    glide = float(np.std(cycle.at(t + firmware.poll_s) - cycle.at(t)))
    moved = float(np.hypot(glide, spread.sd * np.sqrt(2.0 * min(firmware.poll_s / spread.tau_s, 1.0))))
    own = float(np.sqrt(max(overshoot**2 - (0.5 * moved) ** 2, 0.0)))
    noise_sd = LEAST_SPREADS * own
    for _ in range(4):
        noise_sd = spreads_an_overshoot(moved / max(noise_sd, 1e-12)) * own
    return noise_sd


def spreads_an_overshoot(step: float) -> float:
    """Spreads of the noise to one mean overshoot, for a reading that moves `step` spreads from poll to poll.

    Notes
    -----
    It trips from about k spreads out, where the chances of all polls up to there add up to 1: pdf(k) / k**2 = step.
    Never below what a reading that stays near the edge gives.

    Examples
    --------
    pdf(2) / 4 = 0.0135, so k = 2, and 1 / (0.0540 / 0.02275 - 2) = 2.68:

    >>> round(spreads_an_overshoot(0.0135), 1), spreads_an_overshoot(10.0)
    (2.7, 2.4)
    """
    k = np.linspace(1.5, 5.0, 71)
    density = np.exp(-0.5 * k**2) / np.sqrt(2.0 * np.pi)
    out = float(np.interp(np.log(max(step, 1e-9)), np.log(density / k**2)[::-1], k[::-1]))
    excess = float(np.exp(-0.5 * out**2) / np.sqrt(2.0 * np.pi) / ndtr(-out) - out)
    return max(LEAST_SPREADS, 1.0 / excess)
