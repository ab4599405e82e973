"""What the field says about the profile: sleep floor and charge per wake, each node leaning on its like."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SHARED_PART = 0.6  # of the variance of a profile figure's error that all nodes of that profile share
WEIGHTS_LEAST_COUNT = 40.0  # effective draws; below that a node is too unlike its like to lean on them
EVIDENCE_LEAST = 0.05  # precision that the voltage adds, over the prior's


def pooling_weights(
    log_factor: FloatArray, prior_mean: FloatArray, prior_sd: FloatArray, group: NDArray[np.int64]
) -> FloatArray:
    """Weights of each node's draws after hearing what its like have shown. shape (n_nodes, n_draws), rows sum to 1

    Parameters
    ----------
    log_factor
        Draws of the logarithm of a true figure over the profile's. shape (n_nodes, n_draws)
    prior_mean, prior_sd
        Of the logarithm, before the voltages. shape (n_nodes,)
    group
        One number a kind of node. shape (n_nodes,)

    Notes
    -----
    Empirical Bayes with normal laws. The error of a figure is one part of the kind (SHARED_PART of the variance) and
    one of the node. What each peer's voltages add to its prior tells of the kind's part; that gives this node a new
    prior, and its draws are weighed by new over old. A node without peers keeps equal weights.

    Examples
    --------
    A node that knows nothing leans on twenty that say 0.3:

    >>> rng = np.random.default_rng(1)
    >>> draws = np.concatenate([rng.normal(0.0, 0.3, (1, 4000)), rng.normal(0.3, 0.05, (20, 4000))])
    >>> weight = pooling_weights(draws, np.zeros(21), np.full(21, 0.3), np.zeros(21, dtype=int))
    >>> bool(0.2 < (weight[0] * draws[0]).sum() < 0.35)
    True
    """
    weights = np.full(log_factor.shape, 1.0 / max(log_factor.shape[1], 1))
    mean, variance = log_factor.mean(axis=1), np.maximum(log_factor.var(axis=1), 1e-6)
    added = np.maximum(1.0 / variance - 1.0 / prior_sd**2, 0.0)
    tells = added > EVIDENCE_LEAST / prior_sd**2
    shown = np.divide(mean / variance - prior_mean / prior_sd**2, added, out=np.zeros_like(mean), where=tells)
    own = (1.0 - SHARED_PART) * prior_sd**2
    pull = np.divide(1.0, own + np.divide(1.0, added, out=np.ones_like(added), where=tells), where=tells, out=added * 0)
    for line in range(len(mean)):
        peers = (group == group[line]) & tells
        peers[line] = False
        if not peers.any():
            continue
        shared = SHARED_PART * prior_sd[line] ** 2
        precision = 1.0 / shared + pull[peers].sum()
        centre = (prior_mean[line] / shared + (pull * shown)[peers].sum()) / precision
        fresh_sd = np.sqrt(1.0 / precision + own[line])
        weights[line] = _reweighed(log_factor[line], (centre, fresh_sd), (prior_mean[line], prior_sd[line]))
    return weights


def _reweighed(draws: FloatArray, new: tuple[float, float], old: tuple[float, float]) -> FloatArray:
    log = -0.5 * ((draws - new[0]) / new[1]) ** 2 + 0.5 * ((draws - old[0]) / old[1]) ** 2
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    count = 1.0 / float((weight**2).sum())
    if count >= WEIGHTS_LEAST_COUNT or not np.isfinite(count):
        return np.asarray(weight, dtype=float)
    # Too unlike: go only so far towards the peers as leaves enough draws.
    flat = np.exp((log - log.max()) * count / WEIGHTS_LEAST_COUNT)
    return np.asarray(flat / flat.sum(), dtype=float)
