"""Small day rows for tests."""

from __future__ import annotations

import numpy as np

from fleet.frames import DAY
from fleet.units import S_PER_D


def day_rows(spans: list[tuple[float, ...]]) -> dict[str, np.ndarray]:
    """Day rows of node 1 from (day, boot, first seq, last seq[, last lifetime count]); records from 01:00 to 23:00."""
    table = {name: np.full(len(spans), -1 if dtype.startswith("int") else np.nan) for name, dtype in DAY.items()}
    whole = [tuple(span) + (np.nan,) * (5 - len(span)) for span in spans]
    day, boot, first, last, life = np.array(whole).T
    put = {"day": day, "first_boot": boot, "last_boot": boot, "first_seq": first, "last_seq": last}
    put |= {"first_t": day * S_PER_D + 3600, "last_t": day * S_PER_D + 82_800, "last_life_wakes": life}
    put |= {"node_id": day * 0 + 1, "seen": last - first + 1, "missing": day * 0, "boots": day * 0 + 1}
    table.update(put)
    return {name: table[name].astype(dtype) for name, dtype in DAY.items()}
