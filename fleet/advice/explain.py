"""The sentence behind an advice: figures a person can check in the records."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from fleet.advice.evidence import NodeEvidence
from fleet.advice.signal import SignalModel
from fleet.advice.whatif import WhatIf
from fleet.messages import BandSettings

SHOWN = (
    ("lo", "lower threshold"),
    ("hi", "upper threshold"),
    ("hyst", "hysteresis"),
    ("sleep_s", "timer interval"),
    ("period_ms", "coprocessor period"),
    ("avg", "readings averaged"),
)
UNIT = {"sleep_s": " s", "period_ms": " ms"}


def explain(
    seen: NodeEvidence, model: SignalModel, present: WhatIf, proposed: WhatIf, *, reached: bool = True, why: str = ""
) -> str:
    """What the wakes are, what is proposed, what it saves and what it would miss."""
    parts = [cause_of_wakes(seen, model, present), change_of(seen.now, proposed.settings)]
    before, after = present.wakes_per_day, proposed.wakes_per_day
    parts.append(f"wakes a day {before.mid:.1f} → {after.mid:.1f} (80 %: {after.lo:.1f} to {after.hi:.1f})")
    parts.append(_missed(proposed, model.paths.span_d))
    if np.isfinite(present.days[1]) and np.isfinite(proposed.days[1]):
        parts.append(f"life {present.days[1]:.0f} → {proposed.days[1]:.0f} days (P10 {proposed.days[0]:.0f})")
    if not reached and why:
        parts.append(why)
    return "; ".join(part for part in parts if part) + "."


def cause_of_wakes(seen: NodeEvidence, model: SignalModel, present: WhatIf) -> str:
    """Where the wakes of now come from."""
    total = present.wakes_per_day.mid
    band = present.by_cause["band_low"] + present.by_cause["band_high"]
    timer = present.by_cause["timer"]
    if band < timer:
        return f"{timer:.1f} of {total:.1f} wakes a day are the timer's"
    low = present.by_cause["band_low"] >= present.by_cause["band_high"]
    mine = seen.in_now & (seen.cause == (1 if low else 2)) & np.isfinite(seen.reading)
    edge = seen.now.lo if low else seen.now.hi
    if edge is None or not mine.any():
        return f"{band:.1f} of {total:.1f} wakes a day are the band's"
    near = float(np.quantile(np.abs(seen.reading[mine] - edge), 0.9))
    share = present.by_cause["band_low" if low else "band_high"]
    side = "lower" if low else "upper"
    return f"{0.9 * share:.1f} of {total:.1f} wakes a day read within {near:.2g} of the {side} threshold of {edge:g}"


def change_of(now: BandSettings, new: BandSettings) -> str:
    """The settings that change, old to new.

    >>> change_of(BandSettings(hyst=0.0, sleep_s=900.0), BandSettings(hyst=0.05, sleep_s=900.0))
    'hysteresis 0 → 0.05'
    """
    changes = []
    for name, word in SHOWN:
        before, after = getattr(now, name), getattr(new, name)
        if before != after and after is not None:
            start = "none" if before is None else f"{before:g}"
            changes.append(f"{word} {start} → {after:g}{UNIT.get(name, '')}")
    return ", ".join(changes)


def _missed(proposed: WhatIf, span_d: float) -> str:
    """How many of the real events of the window would have been missed."""
    if not np.isfinite(proposed.events_seen.mid) or round(proposed.events_count) == 0:
        return f"no real event in {span_d:.0f} days tells what it would miss"
    count = round(proposed.events_count)
    missed = proposed.events_count * (1.0 - proposed.events_seen.mid)
    if round(missed) == 0:
        return f"none of the {count} real events in {span_d:.0f} days missed"
    return f"about {missed:.0f} of the {count} real events in {span_d:.0f} days missed"


def day_text(at_s: float) -> str:
    """The UTC day of a moment.

    >>> day_text(0.0)
    '1970-01-01'
    """
    return datetime.fromtimestamp(at_s, UTC).date().isoformat()
