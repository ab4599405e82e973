"""Silent for longer than the node's interval and link history allow; how likely the battery is the reason."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray
from fleet.units import S_PER_D, S_PER_H
from fleet.words import Flag

LEAST_SILENCE_S = 6 * 3600.0
HISTORY_FACTOR = 3.0
TOGETHER_SHARE = 0.6
TOGETHER_WITHIN_S = 2 * 3600.0


def gone_quiet(view: FleetView) -> Verdicts:
    """True where the silence is over three times the longest usual one, and not shared by its whole site or fleet."""
    last = view.estimates["last_heard"].to_numpy(float)
    silence_s = view.as_of_s - last
    gaps = view["gap_max_s"]
    usual_s = np.nan_to_num(np.nanquantile(np.where(np.isfinite(gaps), gaps, 0.0), 0.95, axis=1))
    limit_s = np.fmax(
        LEAST_SILENCE_S, HISTORY_FACTOR * np.fmax(usual_s, view.nodes["sleep_s"].fillna(0).to_numpy(float))
    )
    retired = view.nodes["retired"].fillna(False).to_numpy(bool)
    known = np.isfinite(last) & ~retired
    quiet = known & (silence_s > limit_s)
    fleet_down = quiet[known].mean() > TOGETHER_SHARE if known.any() else False
    site_down = np.array([_together(view, quiet, last, index) if quiet[index] else False for index in range(len(last))])
    dead = view.estimates["dead_by_7"].to_numpy(float)
    brown = np.nan_to_num(view["n_brownout"])[:, -14:].sum(axis=1)
    battery = np.clip(np.fmax(np.nan_to_num(dead), np.where(brown > 0, 0.8, 0.0)), 0.0, 1.0)

    def say(index: int) -> str:
        reason = f"the chance that its battery is the reason is {battery[index]:.0%}"
        if fleet_down:
            reason = "most of the fleet fell silent: look at the broker and the ingester first"
        elif site_down[index]:
            reason = "its site fell silent together: look at the gateway first"
        silent_h, usual_h = silence_s[index] / S_PER_H, limit_s[index] / HISTORY_FACTOR / S_PER_H
        return f"silent for {silent_h:.0f} h, usual up to {usual_h:.1f} h; {reason}."

    score = np.log(np.maximum(silence_s, 1.0) / limit_s) - np.where(site_down | fleet_down, 1.0, 0.0)
    return verdicts(
        Flag.GONE_QUIET,
        quiet,
        known,
        since_d=last / S_PER_D,
        strength=strength_of(score, 0.0, 2.0),
        say=say,
        part="node, link or gateway",
        window_d=0.0,
    )


def _together(view: FleetView, quiet: BoolArray, last: FloatArray, index: int) -> bool:
    peers = view.site_codes == view.site_codes[index]
    if peers.sum() < 3:
        return False
    return bool((quiet[peers] & (np.abs(last[peers] - last[index]) < TOGETHER_WITHIN_S)).mean() > TOGETHER_SHARE)
