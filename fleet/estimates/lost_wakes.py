"""How long wakes are whose record was lost: each node by its own, leaning on how its like differ from seen ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.daily.groups import FloatArray

UNLIKE_SD = 0.3  # ratio of lost to seen lengths scatters so between nodes, before data speaks
MIDDLE_SD = 0.5  # and its middle lies about 1, give or take
WORTH_NODES = 4.0  # the scatter expected beforehand weighs like that of so many nodes
SCATTER_LEAST = 0.05


@dataclass(frozen=True)
class LostLength:
    """Shape (n_nodes,)."""

    mean_s: FloatArray
    worth_count: FloatArray  # the mean is known as well as from so many wakes


def lost_length(mean_s: FloatArray, worth_count: FloatArray, *, seen_s: FloatArray, sd_s: FloatArray) -> LostLength:
    """Mean length of lost wakes.

    Parameters
    ----------
    mean_s
        Mean of the lost wakes that a later record describes; anything where there are none. [s]
    worth_count
        How many wakes that mean is worth; 0 for none.
    seen_s, sd_s
        Mean length of seen wakes, and spread of single ones. [s]

    Notes
    -----
    A radio that got no answer stays on, so lost wakes are often longer, and alike so in nodes of one firmware. Ratios
    of lost to seen lengths are pooled: normal between nodes, middle and scatter by moments with a weak prior.

    Examples
    --------
    Four nodes saw lost wakes of twice the length; the fifth, which saw none, is taken to be about so too:

    >>> found = lost_length(np.array([2.0, 2, 2, 2, 9]), np.array([50.0, 50, 50, 50, 0]), seen_s=np.ones(5),
    ...                     sd_s=np.full(5, 0.2))
    >>> bool(1.8 < found.mean_s[4] < 2.0)
    True
    """
    safe_s = np.maximum(seen_s, 1e-9)
    ratio, own_sd = np.where(worth_count > 0, mean_s / safe_s, 1.0), sd_s / safe_s
    noise = np.divide(own_sd**2, worth_count, out=np.full_like(own_sd, np.inf), where=worth_count > 0)
    noise = np.where(np.isfinite(noise), noise, np.inf)
    weight = 1.0 / (noise + UNLIKE_SD**2)
    sure = float(weight.sum() + MIDDLE_SD**-2)
    middle = (float((weight * np.where(weight > 0, ratio, 0.0)).sum()) + MIDDLE_SD**-2) / sure
    off = np.where(weight > 0, (ratio - middle) ** 2 - np.where(weight > 0, noise, 0.0), 0.0)
    nodes = float(weight.sum()) * UNLIKE_SD**2
    scatter = max(float((weight * off).sum() / weight.sum()), 0.0) if nodes > 0 else 0.0
    between = max((nodes * scatter + WORTH_NODES * UNLIKE_SD**2) / (nodes + WORTH_NODES), SCATTER_LEAST**2)
    prior_count = np.clip(own_sd**2 / (between + 1.0 / sure), 1e-3, 1e3)
    total = worth_count + prior_count
    return LostLength((worth_count * ratio + prior_count * middle) / total * safe_s, total)
