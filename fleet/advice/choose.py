"""At most one advice a node: the setting that reaches the target and misses the fewest real events."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from fleet.advice.drain import odds_of_lasting
from fleet.advice.search import Option, knee, trade_off
from fleet.advice.whatif import WhatIf

RECORDS_LEAST = 50
DAYS_LEAST = 7.0
EVENTS_KEPT = 0.02
GAIN_LEAST = 0.15
SURELY = 0.35
SAFETY_FACTOR = 5.0
WIDEST_SHARE = 0.1
TIMER_RULES = 0.5
TIMER_FOLD = 4.0


@dataclass(frozen=True)
class Target:
    """What is wanted: life until a moment at given odds, or a number of wakes a day; neither: the knee of the curve."""

    until_at: datetime | None = None
    odds: float = 0.9
    wakes_per_day: float | None = None


@dataclass(frozen=True)
class Choice:
    """What was chosen among the options, and why not something else; `option` is None where nothing should change."""

    option: Option | None
    reached: bool
    why: str


def evidence_missing(records_count: int, span_d: float, open_flags: set[str], *, reset_faults: set[str]) -> str:
    """What is missing before settings may be advised; empty if nothing is.

    >>> evidence_missing(20, 3.0, set(), reset_faults=set())
    '20 records over 3.0 days: at least 50 over 7 days are needed. Wait.'
    """
    if records_count < RECORDS_LEAST or span_d < DAYS_LEAST:
        found = f"{records_count} records over {span_d:.1f} days"
        return f"{found}: at least {RECORDS_LEAST} over {DAYS_LEAST:.0f} days are needed. Wait."
    faults = sorted(open_flags & reset_faults)
    if faults:
        return f"{', '.join(faults)} is open: times or identity can't be believed. Clear it first."
    return ""


def choose(options: list[Option], target: Target, *, as_of_at: datetime) -> Choice:
    """The option to propose.

    Parameters
    ----------
    options
        From `search`; the first is the present setting.
    target
        What is wanted.
    as_of_at
        The moment of the analysis.

    Notes
    -----
    Among the options that reach the target with room for the prediction's error, the one that sees most events, then
    the one that changes least. If none does, the one that comes closest. The present setting wins if it reaches it.
    """
    present = options[0]
    if target.until_at is None and target.wakes_per_day is None:
        return _by_knee(options)
    short = np.array([shortfall(option.result, target, as_of_at) for option in options])
    if not np.isfinite(short).any():
        return Choice(None, reached=False, why="its days left are not known, so no life target can be tested")
    if short[0] <= 0:
        return Choice(None, reached=True, why="the present settings reach the target")
    reaching = [option for option, lack in zip(options, short, strict=True) if lack <= 0]
    if reaching:
        return Choice(_most_seen(reaching), reached=True, why="")
    closest = options[int(np.nanargmin(short))]
    if closest is present:
        return Choice(None, reached=False, why="no setting within the limits comes closer to the target")
    return Choice(closest, reached=False, why="no setting within the limits reaches the target; this one comes closest")


def shortfall(result: WhatIf, target: Target, as_of_at: datetime) -> float:
    """How far a result stays from the target, 0 or less if it reaches it; NaN if it can't be told."""
    lack = []
    if target.wakes_per_day is not None:
        wakes = result.wakes_per_day
        lack.append((wakes.mid + SURELY * (wakes.hi - wakes.mid)) / target.wakes_per_day - 1.0)
    if target.until_at is not None:
        until_d = (target.until_at - as_of_at).total_seconds() / 86_400.0
        lack.append(target.odds - odds_of_lasting(result.days, until_d))
    if not lack:
        return 0.0
    return float(max(lack)) if np.isfinite(lack).all() else float("nan")


def _most_seen(options: list[Option]) -> Option:
    """Most events seen, to a percent; then fewest settings changed; then fewest wakes saved beyond need."""
    return min(options, key=lambda one: (-round(one.seen, 2), one.changes_count, -one.result.wakes_per_day.mid))


def _by_knee(options: list[Option]) -> Choice:
    """Without a target: the knee of the curve among settings that miss next to nothing more, if it saves enough.

    The timer is left alone unless its wakes are most of all, and then lengthened four times at most: how long a silence
    is bearable is for a person to say.
    """
    present = options[0]
    kept = [
        option for option in options if option.seen >= present.seen - EVENTS_KEPT and not _too_long(option, options)
    ]
    best = knee(trade_off(kept))
    saved = 1.0 - best.result.drain_mah_per_day.mid / max(present.result.drain_mah_per_day.mid, 1e-12)
    if best is present or saved < GAIN_LEAST:
        return Choice(None, reached=True, why="no other setting saves enough to be worth an order")
    alike = [
        option
        for option in kept
        if option.result.drain_mah_per_day.mid <= best.result.drain_mah_per_day.mid * (1.0 + GAIN_LEAST / 2.0)
    ]
    return Choice(_surest([best, *alike]), reached=True, why="")


def _surest(options: list[Option]) -> Option:
    """Most events seen, to a percent; then fewest settings changed; then the widest hysteresis within a safety factor.

    A hysteresis just large enough by the model lets the node chatter if its noise is underrated; up to five times that,
    but no more than a tenth of the band, is as cheap and far surer where it costs neither events nor wakes. Both
    figures are common practice, no source.
    """
    first = min((-round(one.seen, 2), one.changes_count) for one in options)
    best = [one for one in options if (-round(one.seen, 2), one.changes_count) == first]
    widths = [one.result.settings.hyst or 0.0 for one in best]
    now = best[0].result.settings
    band = now.hi - now.lo if now.hi is not None and now.lo is not None else np.inf
    enough = max(min(widths), min(SAFETY_FACTOR * min(widths), WIDEST_SHARE * band + 1e-9))
    return max(zip(widths, best, strict=True), key=lambda pair: (pair[0] <= enough, pair[0], -_upper(pair[1])))[1]


def _upper(option: Option) -> float:
    return option.result.wakes_per_day.hi


def _too_long(option: Option, options: list[Option]) -> bool:
    """True for a longer interval where the timer does not rule, or for more than four times the present one."""
    present = options[0].result
    mine, start_s = option.result.settings.sleep_s, present.settings.sleep_s
    if mine is None or start_s is None or mine <= start_s:
        return False
    if present.by_cause["timer"] < TIMER_RULES * present.wakes_per_day.mid:
        return True
    return mine > start_s * TIMER_FOLD
