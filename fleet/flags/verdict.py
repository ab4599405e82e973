"""What a rule says of every node: True needs a look, False does not, NA is not known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleet.frames import FLAG
from fleet.units import S_PER_D
from fleet.words import Flag

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Verdicts:
    """One rule's answer for every node of a view, in the view's order.

    `since_d` with its window `since_lo_d` … `since_hi_d` are days since 1970-01-01 UTC; `strength` runs 0 to 1;
    `evidence` is one sentence with the figures, `part` what a hand should look at.
    """

    flag: Flag
    state: pd.arrays.BooleanArray
    since_d: FloatArray
    since_lo_d: FloatArray
    since_hi_d: FloatArray
    strength: FloatArray
    evidence: Sequence[str]
    part: str

    def rows(self, node_ids: npt.NDArray[np.int64]) -> pd.DataFrame:
        """The True ones as FLAG rows."""
        hit = np.flatnonzero(np.asarray(self.state.fillna(False), dtype=bool))
        return pd.DataFrame(
            {
                "node_id": node_ids[hit].astype(np.int32),
                "flag": str(self.flag),
                "since": self.since_d[hit] * S_PER_D,
                "since_lo": self.since_lo_d[hit] * S_PER_D,
                "since_hi": self.since_hi_d[hit] * S_PER_D,
                "strength": np.clip(self.strength[hit], 0.0, 1.0),
                "evidence": [self.evidence[index] for index in hit.tolist()],
                "part": self.part,
                "under": "",
            },
            columns=list(FLAG),
        )


def verdicts(
    flag: Flag,
    hit: BoolArray,
    known: BoolArray,
    *,
    since_d: FloatArray,
    strength: FloatArray,
    say: Callable[[int], str],
    part: str,
    window_d: float | FloatArray = 1.0,
) -> Verdicts:
    """Verdicts from boolean arrays: True where hit, False where known and not hit, NA elsewhere."""
    state = pd.array(np.where(known, hit, False), dtype="boolean")
    state[~known] = pd.NA
    half = np.broadcast_to(np.asarray(window_d, dtype=float), since_d.shape)
    evidence = [say(index) if known[index] and hit[index] else "" for index in range(len(hit))]
    return Verdicts(flag, state, since_d, since_d - half, since_d + half, strength, evidence, part)


def strength_of(score: FloatArray, half_at: float, slope: float) -> FloatArray:
    """Strength from a score: 0.5 at `half_at`, rising by the logistic law.

    >>> strength_of(np.array([2.0]), 2.0, 1.0)
    array([0.5])
    """
    return np.asarray(1.0 / (1.0 + np.exp(-slope * (np.nan_to_num(score) - half_at))))
