"""Silent for longer than the node's interval and link history allow; how likely the battery is the reason."""

from __future__ import annotations

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray
from fleet.units import S_PER_D, S_PER_H
from fleet.words import Flag

LEAST_SILENCE_S = 8 * 3600.0
HISTORY_FACTOR = 3.0
OUTAGE_WAIT_S = 3 * S_PER_D
HEARD_SHARE = 0.34
BY_OUTAGE = -0.4


def gone_quiet(view: FleetView) -> Verdicts:
    """True where the silence is longer than any usual one; of a whole site or fleet only after three days, and weaker.

    Notes
    -----
    Allowed is three times the 95th percentile of the daily longest gaps or of the timer interval, and never less than
    eight hours. The others of a site count as heard if they spoke well after this node's last word.
    """
    last = view.estimates["last_heard"].to_numpy(float)
    silence_s = view.as_of_s - last
    usual_s = _usual_gap_s(view)
    limit_s = np.fmax(LEAST_SILENCE_S, HISTORY_FACTOR * usual_s)
    retired = view.nodes["retired"].fillna(False).to_numpy(bool)
    known = np.isfinite(last) & ~retired
    late = known & (silence_s > limit_s)
    site_down = late & _silent_together(last, usual_s, view.site_codes, known)
    one_code = np.zeros(len(last), dtype=np.int64)
    fleet_down = late & _silent_together(last, usual_s, one_code, known)
    shared = site_down | fleet_down
    hit = late & (~shared | (silence_s > OUTAGE_WAIT_S))
    battery = _battery_odds(view)

    def say(index: int) -> str:
        reason = f"the chance that its battery is the reason is {battery[index]:.0%}"
        if fleet_down[index]:
            reason = "most of the fleet fell silent: look at the broker and the ingester first"
        elif site_down[index]:
            reason = "its site fell silent together: look at the gateway first"
        silent_h, usual_h = silence_s[index] / S_PER_H, usual_s[index] / S_PER_H
        return f"silent for {silent_h:.0f} h, usual up to {usual_h:.1f} h; {reason}."

    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(shared, BY_OUTAGE, 0.5 + np.log(np.maximum(silence_s, 1.0) / limit_s))
    return verdicts(
        Flag.GONE_QUIET,
        hit,
        known,
        since_d=last / S_PER_D,
        strength=calibrated(Flag.GONE_QUIET, score),
        say=say,
        part="node, link or gateway",
        window_d=0.0,
    )


def _usual_gap_s(view: FleetView) -> FloatArray:
    """Longest gap of a usual day, or the timer's interval if that is longer. [s]"""
    gaps = view["gap_max_s"]
    ordered = np.sort(np.where(np.isfinite(gaps), gaps, np.inf), axis=1)
    count = np.isfinite(gaps).sum(axis=1)
    place = np.maximum(np.ceil(0.95 * count).astype(int) - 1, 0)
    usual = np.where(count > 0, ordered[np.arange(len(gaps)), place], 0.0)
    return np.asarray(np.fmax(usual, view.nodes["sleep_s"].fillna(0).to_numpy(float)), dtype=float)


def _silent_together(last: FloatArray, usual_s: FloatArray, codes: np.ndarray, known: BoolArray) -> BoolArray:
    """True where, of at least two others of the group, only few were heard well after this node's last word."""
    together = np.zeros(len(last), dtype=bool)
    for code in np.unique(codes):
        rows = np.flatnonzero((codes == code) & known)
        if len(rows) < 3:
            continue
        after = last[rows][None, :] > last[rows][:, None] + 1.5 * np.maximum(
            usual_s[rows][None, :], usual_s[rows][:, None]
        )
        together[rows] = after.sum(axis=1) / (len(rows) - 1) < HEARD_SHARE
    return together


def _battery_odds(view: FleetView) -> FloatArray:
    """Chance that an empty battery silenced the node: what the forecast says, or brown-outs before the silence."""
    dead = np.nan_to_num(view.estimates["dead_by_7"].to_numpy(float))
    brown = np.nan_to_num(view["n_brownout"])[:, -28:].sum(axis=1)
    return np.asarray(np.clip(np.fmax(dead, np.where(brown > 0, 0.8, 0.0)), 0.0, 1.0), dtype=float)
