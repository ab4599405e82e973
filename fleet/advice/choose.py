"""At most one advice a node: the setting that reaches the target and misses the fewest real events."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from fleet.advice.drain import odds_of_lasting
from fleet.advice.search import Option, knee, trade_off

RECORDS_LEAST = 50
DAYS_LEAST = 7.0
EVENTS_KEPT = 0.02
GAIN_LEAST = 0.15
SURELY = 0.35


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
    short = np.array([_shortfall(option, target, as_of_at) for option in options])
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


def _shortfall(option: Option, target: Target, as_of_at: datetime) -> float:
    """How far an option stays from the target, 0 or less if it reaches it; NaN if it can't be told."""
    lack = []
    if target.wakes_per_day is not None:
        wakes = option.result.wakes_per_day
        lack.append((wakes.mid + SURELY * (wakes.hi - wakes.mid)) / target.wakes_per_day - 1.0)
    if target.until_at is not None:
        until_d = (target.until_at - as_of_at).total_seconds() / 86_400.0
        lack.append(target.odds - odds_of_lasting(*option.result.days, until_d))
    return float(max(lack)) if np.isfinite(lack).all() else float("nan")


def _most_seen(options: list[Option]) -> Option:
    """Most events seen, to a percent; then fewest settings changed; then fewest wakes saved beyond need."""
    return min(options, key=lambda one: (-round(_seen(one), 2), one.changes_count, -one.result.wakes_per_day.mid))


def _by_knee(options: list[Option]) -> Choice:
    """Without a target: the cheapest setting that misses next to nothing more, if it saves enough to be worth it."""
    present = options[0]
    curve = [option for option in trade_off(options) if _seen(option) >= _seen(present) - EVENTS_KEPT]
    best = knee(curve) if curve else present
    saved = 1.0 - best.result.drain_mah_per_day.mid / max(present.result.drain_mah_per_day.mid, 1e-12)
    if best is present or saved < GAIN_LEAST:
        return Choice(None, reached=True, why="no other setting saves enough to be worth an order")
    return Choice(best, reached=True, why="")


def _seen(option: Option) -> float:
    mid = option.result.events_seen.mid
    return mid if np.isfinite(mid) else 1.0
