"""The share of wakes without a record, and where they are lost."""

from __future__ import annotations

import numpy as np
from scipy.stats import beta

from fleet.flags.calibrate import calibrated
from fleet.flags.peers import others_median
from fleet.flags.step_change import find_steps
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView, FloatArray, nan_median
from fleet.words import Flag

WINDOW_D = 7
PAST_D = 60
LEAST_PAST_D = 10
LEAST_SHARE = 0.1
OF_PAST, OVER_PAST = 1.6, 0.08
MUCH_SHARE = 0.36
OF_SITE = 2.0
SITE_OUTAGE = 0.35


def records_missing(view: FleetView) -> Verdicts:
    """True where clearly more wakes lack a record than at its site and than in its own past.

    Notes
    -----
    The lower 97.5 % limit of last week's share (Clopper and Pearson, Biometrika 26, 1934, 404-413) has to stand above a
    tenth, twice the median of the other nodes of its site, and 1.6 times its own past plus 8 points; without ten days
    of past, above 36 %. Days on which half of the site lost a third are left out: a gateway. Where half of the fleet
    loses as much, the broker or the ingester is named, not the node.
    """
    share = _daily_share(view)
    clear = ~_site_outage(view, share)
    weight = np.where(clear, view["seen"] + np.nan_to_num(view["missing"]), 0.0)
    lost = np.where(clear, np.nan_to_num(view["missing"]), 0.0)
    total, missing = (np.nan_to_num(values[:, -WINDOW_D:]).sum(axis=1) for values in (weight, lost))
    steps = find_steps(np.where(clear, np.arcsin(np.sqrt(np.clip(share, 0, 1))), np.nan), least_sd=0.03)
    rose = np.isfinite(steps.z) & (steps.z > 4.0)
    past = _past_share(share, clear, np.where(rose, steps.at, view.shape[1] - WINDOW_D))
    recent = np.where(total > 0, missing / np.maximum(total, 1.0), np.nan)
    low = np.where(missing > 0, beta.ppf(0.025, np.maximum(missing, 1e-9), np.maximum(total - missing, 0) + 1), 0.0)
    site = np.nan_to_num(others_median(recent, view.site_codes))
    fleet = float(np.nan_to_num(nan_median(recent[None, :])[0]))
    over_past = np.where(np.isfinite(past), OF_PAST * np.nan_to_num(past) + OVER_PAST, MUCH_SHARE)
    limit = np.maximum.reduce([np.full(len(low), LEAST_SHARE), OF_SITE * site, over_past])
    hit = low > limit
    since_d = view.first_day + np.where(rose, steps.at, 0).astype(float)
    failed = view.mean_recent(view["failed_tries"] / np.maximum(view["tries_count"], 1))

    def say(index: int) -> str:
        where = "on the node or its link"
        if fleet > LEAST_SHARE:
            where = "at the broker or the ingester: half of the fleet loses as much"
        elif np.nan_to_num(failed[index]) > 0.3:
            where = f"on the link: {failed[index]:.1f} failed attempts a wake"
        before = f"{past[index]:.0%} before, " if np.isfinite(past[index]) else ""
        return (
            f"{missing[index]:.0f} of {total[index]:.0f} wakes in a week have no record ({recent[index]:.0%}; {before}"
            f"{site[index]:.0%} usual at its site), lost {where}."
        )

    return verdicts(
        Flag.RECORDS_MISSING,
        hit,
        total > 0,
        since_d=since_d,
        strength=calibrated(Flag.RECORDS_MISSING, low / limit),
        say=say,
        part="link, buffer, broker queue",
        window_d=np.where(rose, steps.half_window, float(WINDOW_D)),
    )


def _daily_share(view: FleetView) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(view["missing"] / (view["missing"] + view["seen"]), dtype=float)


def _site_outage(view: FleetView, share: FloatArray) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Days on which the median node of the site lost a third, or the day beside one without any record."""
    bad = np.zeros(view.shape, dtype=bool)
    for site in np.unique(view.site_codes):
        rows = view.site_codes == site
        if rows.sum() < 3:
            continue
        silent = (~np.isfinite(share[rows])).mean(axis=0) > 0.5
        middle = np.nan_to_num(nan_median(share[rows].T)) > SITE_OUTAGE
        day = silent | middle
        day[1:] |= silent[:-1]
        day[:-1] |= silent[1:]
        bad[rows] = day[None, :]
    return bad


def _past_share(
    share: FloatArray, clear: np.ndarray[tuple[int, int], np.dtype[np.bool_]], until: FloatArray
) -> FloatArray:
    """Mean daily share before `until`; NaN for fewer than ten days."""
    columns = np.arange(share.shape[1])
    window = clear & np.isfinite(share) & (columns < until[:, None]) & (columns >= until[:, None] - PAST_D)
    count = window.sum(axis=1)
    mean = np.where(window, share, 0.0).sum(axis=1) / np.maximum(count, 1)
    return np.where(count >= LEAST_PAST_D, mean, np.nan)
