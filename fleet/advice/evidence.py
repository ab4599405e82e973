"""What one node told about its banded reading: samples at wakes, summaries of its sleep, and the settings in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec
import numpy as np
import pandas as pd

from fleet.messages import BandSettings
from fleet.units import MS_PER_S, S_PER_D
from fleet.words import BAND_CAUSES, Cause

SETTING_NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
Hist = tuple[float, float, list[int]]
Hists = Mapping[int, Hist]


@dataclass(frozen=True)
class NodeEvidence:
    """Arrays over the node's records in order of time; gap i is the sleep that ended with record i.

    `lost_count` is NaN where a restart hides how many records are missing. `now` are the settings of the last record,
    `in_now` is True where both ends of the gap ran under them.
    """

    t: np.ndarray
    cause: np.ndarray
    reading: np.ndarray
    gap_s: np.ndarray
    lost_count: np.ndarray
    asleep_n: np.ndarray
    asleep_min: np.ndarray
    asleep_max: np.ndarray
    asleep_mean: np.ndarray
    asleep_sd: np.ndarray
    runs: np.ndarray
    avg: np.ndarray
    band_lo: np.ndarray
    band_hi: np.ndarray
    now: BandSettings
    in_now: np.ndarray
    awake_s: float
    hists: dict[int, Hist]

    @property
    def is_band(self) -> np.ndarray:
        """True where the band woke the node."""
        return np.isin(self.cause, [int(cause) for cause in BAND_CAUSES])

    @property
    def is_timer(self) -> np.ndarray:
        """True where the timer woke the node."""
        return np.asarray(self.cause == int(Cause.TIMER))

    @property
    def timer_interval_s(self) -> float | None:
        """The interval that its timer wakes show where no setting says it; None with fewer than 5 of them."""
        after_timer = self.is_timer & np.concatenate([[False], self.is_timer[:-1]]) & (self.lost_count == 0)
        return float(np.median(self.gap_s[after_timer])) if after_timer.sum() >= 5 else None

    @property
    def alive(self) -> np.ndarray:
        """True where the node is known to have run all through the gap: silence there means 'inside the band'."""
        longest_s = 1.5 * (self.now.sleep_s or S_PER_D) + 60.0
        alive = np.isfinite(self.lost_count) & (self.gap_s <= longest_s * (1.0 + np.nan_to_num(self.lost_count)))
        alive[:1] = False
        return np.asarray(alive)

    @property
    def tells_now(self) -> np.ndarray:
        """True for gaps that show what the present settings bring: alive throughout, both ends under them."""
        return np.asarray(self.alive & self.in_now)

    @property
    def usable(self) -> np.ndarray:
        """Gaps to predict over: those of the present settings, or all alive ones where these are too few for a day."""
        for gaps in (self.tells_now, self.alive):
            if float(self.gap_s[gaps].sum()) >= S_PER_D:
                return np.asarray(gaps)
        return np.asarray((self.gap_s > 0) & (self.gap_s < 3.0 * (self.now.sleep_s or S_PER_D)))


def node_evidence(
    records: pd.DataFrame, settings: pd.DataFrame, listed: BandSettings, *, hists: Hists | None = None
) -> NodeEvidence:
    """The evidence in one node's records.

    Parameters
    ----------
    records
        RECORD rows of one node, any order.
    settings
        SETTING rows of that node.
    listed
        What the node list says; a record's own settings go first.
    hists
        Histogram of a record's sleep by row label of `records`: lower edge, step, counts.
    """
    order = np.lexsort((records["seq"].to_numpy(), records["boot"].to_numpy(), records["t"].to_numpy()))
    column = {name: records[name].to_numpy()[order] for name in _COLUMNS}
    t = column["t"].astype(float)
    in_force = _settings_in_force(column["set_id"], settings, listed)
    now = _last(in_force)
    same = np.ones(len(t), bool)
    for name in SETTING_NAMES:
        value = in_force[name]
        same &= (value == value[-1:]) | (np.isnan(value) & np.isnan(value[-1:]))
    labels = records.index.to_numpy()[order]
    found = {i: hists[int(label)] for i, label in enumerate(labels) if int(label) in hists} if hists else {}
    awake_ms = column["awake_ms"][np.isfinite(column["awake_ms"])]
    return NodeEvidence(
        t=t,
        cause=column["cause"].astype(int),
        reading=column["reading"].astype(float),
        gap_s=np.diff(t, prepend=t[:1]),
        lost_count=_lost(column["boot"], column["seq"]),
        **{name: column[name].astype(float) for name in _SUMMARY},
        avg=in_force["avg"],
        band_lo=in_force["lo"],
        band_hi=in_force["hi"],
        now=now,
        in_now=same & np.concatenate([same[:1], same[:-1]]),
        awake_s=float(np.median(awake_ms)) / MS_PER_S if len(awake_ms) else 0.0,
        hists=found,
    )


_SUMMARY = ("asleep_n", "asleep_min", "asleep_max", "asleep_mean", "asleep_sd", "runs")
_COLUMNS = ("t", "boot", "seq", "cause", "reading", "awake_ms", "set_id", *_SUMMARY)


def settings_of(value: Mapping[str, float | None]) -> BandSettings:
    """Settings from plain numbers; NaN and None alike mean not known.

    >>> settings_of({"lo": 0.5, "avg": 8.0, "hyst": float("nan")}).hyst is None
    True
    """
    known = {name: float(v) for name in SETTING_NAMES if (v := value.get(name)) is not None and not np.isnan(v)}
    return msgspec.convert({**known, **({"avg": int(known["avg"])} if "avg" in known else {})}, BandSettings)


def _lost(boot: np.ndarray, seq: np.ndarray) -> np.ndarray:
    """Wakes without a record before each record; NaN at a restart, a wrapped counter or the first record."""
    if not len(seq):
        return np.empty(0)
    step = np.diff(seq.astype(float), prepend=np.nan) - 1.0
    same = np.concatenate([[False], boot[1:] == boot[:-1]])
    return np.where(same & (step >= 0) & (step < 5000), step, np.nan)


def _settings_in_force(set_id: np.ndarray, settings: pd.DataFrame, listed: BandSettings) -> dict[str, np.ndarray]:
    """Each setting at each record: the last one reported up to there, else the node list's."""
    carried = np.where(set_id >= 0, np.arange(len(set_id)), -1)
    carried = np.maximum.accumulate(carried) if len(carried) else carried
    held = np.where(carried >= 0, set_id[np.maximum(carried, 0)], -1) if len(set_id) else set_id
    if (held >= 0).any():  # before the first report the first settings reported were in force
        held = np.where(held >= 0, held, held[np.argmax(held >= 0)])
    table = settings.set_index("set_id") if len(settings) else None
    result = {}
    for name in SETTING_NAMES:
        fallback = getattr(listed, name)
        fallback = np.nan if fallback is None else float(fallback)
        if table is None:
            result[name] = np.full(len(set_id), fallback)
            continue
        value = table[name].reindex(held).to_numpy(float)
        result[name] = np.where(np.isfinite(value), value, fallback)
    return result


def _last(in_force: dict[str, np.ndarray]) -> BandSettings:
    """The settings of the last record."""
    return settings_of({name: None if not len(v) else float(v[-1]) for name, v in in_force.items()})
