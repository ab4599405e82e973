"""Retries, radio time or a weak signal cost charge; an outage that all of a site see is not the node's."""

from __future__ import annotations

import numpy as np

from fleet.flags.peers import common_course
from fleet.flags.resets import first_of_last
from fleet.flags.step_change import find_steps
from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView, nan_mean, nan_median
from fleet.words import Flag

STEP_Z = 5.0
LEAST_RATIO = 1.5
RECENT_D = 3


def radio_struggle(view: FleetView) -> Verdicts:
    """True where radio time or failed attempts a wake have risen and stay high, its site's course taken out."""
    radio = sum(np.nan_to_num(view[f"radio_ms_{g}"]) for g in ("timer", "band", "reset", "other", "unknown"))
    count = sum(np.nan_to_num(view[f"radio_count_{g}"]) for g in ("timer", "band", "reset", "other", "unknown"))
    with np.errstate(divide="ignore", invalid="ignore"):
        length_ms = np.where(count > 0, radio / count, np.nan)
        failed = view["failed_tries"] / view["tries_count"]
    log_length = np.log(np.maximum(length_ms, 1.0))
    own = log_length - common_course(log_length, view.site_codes)
    steps = find_steps(own, least_sd=0.05)
    lasting = nan_mean(own[:, -RECENT_D:]) > (steps.before + steps.after) / 2
    recent_ms, recent_failed = view.mean_recent(length_ms), view.mean_recent(failed)
    usual_ms = np.where(np.isfinite(steps.before), np.exp(steps.before), np.nan)
    site_failed = np.array([nan_median(recent_failed[None, view.site_codes == code])[0] for code in view.site_codes])
    rose = (steps.z > STEP_Z) & (np.exp(steps.after - steps.before) > LEAST_RATIO) & lasting
    failing = (recent_failed > 0.5) & (recent_failed > 3 * np.nan_to_num(site_failed))
    known = np.isfinite(recent_ms) | np.isfinite(recent_failed)
    hit = np.nan_to_num(rose | failing).astype(bool)
    score = np.fmax(np.where(rose, steps.z / STEP_Z, 0.0), np.nan_to_num(recent_failed) / 0.5)
    rssi = view.mean_recent(view["rssi_dbm"])

    def say(index: int) -> str:
        parts = [f"radio on {recent_ms[index] / 1000:.1f} s a wake"]
        if rose[index]:
            parts.append(f"{usual_ms[index] / 1000:.1f} s before")
        if np.isfinite(recent_failed[index]):
            parts.append(f"{recent_failed[index]:.1f} failed attempts a wake")
        if np.isfinite(rssi[index]):
            parts.append(f"signal {rssi[index]:.0f} dBm")
        return ", ".join(parts) + " in the last week."

    failing_day = np.nan_to_num(failed) > 0.35
    since_d = view.first_day + np.where(rose, steps.at, first_of_last(failing_day, 5)).astype(float)
    return verdicts(
        Flag.RADIO_STRUGGLE,
        hit,
        known,
        since_d=since_d,
        strength=strength_of(score, 1.0, 2.5),
        say=say,
        part="antenna, place, gateway",
        window_d=np.where(rose, steps.half_window, 1.0),
    )
