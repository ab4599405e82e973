"""The share of wakes without a record, and where they are lost."""

from __future__ import annotations

import numpy as np
from scipy.stats import beta

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView, nan_median
from fleet.words import Flag

WINDOW_D = 14
LEAST_SHARE = 0.1
OF_SITE = 2.0


def records_missing(view: FleetView) -> Verdicts:
    """True where more than a tenth of the wakes of two weeks have no record, and twice what is usual at its site.

    Notes
    -----
    The lower 95 % limit of the share (Clopper and Pearson, Biometrika 26, 1934, 404-413) has to stand above the
    limit. Where half of the fleet loses as much, the broker or the ingester is named, not the node.
    """
    missing = np.nan_to_num(view["missing"][:, -WINDOW_D:]).sum(axis=1)
    seen = np.nan_to_num(view["seen"][:, -WINDOW_D:]).sum(axis=1)
    total = seen + missing
    share = np.where(total > 0, missing / np.maximum(total, 1), np.nan)
    low = np.where(missing > 0, beta.ppf(0.025, np.maximum(missing, 1e-9), seen + 1), 0.0)
    site = np.array([nan_median(share[None, view.site_codes == code])[0] for code in view.site_codes])
    fleet = float(np.nan_to_num(nan_median(share[None, :])[0]))
    limit = np.maximum(LEAST_SHARE, OF_SITE * np.nan_to_num(site))
    hit = low > limit
    daily = np.nan_to_num(view["missing"] / (view["missing"] + view["seen"])) > LEAST_SHARE
    since_d = view.first_day + np.array([_since(row) for row in daily], dtype=float)
    failed = view.mean_recent(view["failed_tries"] / np.maximum(view["tries_count"], 1))

    def say(index: int) -> str:
        where = "on the node or its link"
        if fleet > LEAST_SHARE:
            where = "at the broker or the ingester: half of the fleet loses as much"
        elif np.nan_to_num(failed[index]) > 0.3:
            where = f"on the link: {failed[index]:.1f} failed attempts a wake"
        return (
            f"{missing[index]:.0f} of {total[index]:.0f} wakes in two weeks have no record ({share[index]:.0%}; "
            f"site median {np.nan_to_num(site[index]):.0%}), lost {where}."
        )

    return verdicts(
        Flag.RECORDS_MISSING,
        hit,
        total > 0,
        since_d=since_d,
        strength=strength_of(low / limit, 1.0, 4.0),
        say=say,
        part="link, buffer, broker queue",
    )


def _since(bad: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    """First day of the last run in which most days are bad."""
    good = np.flatnonzero(np.convolve(~bad, np.ones(5), "valid") >= 4)
    return int(good[-1] + 4) if len(good) else 0
