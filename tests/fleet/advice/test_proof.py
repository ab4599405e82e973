"""The retune scorecard: errors that were promised do not widen, others do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.advice.proof import scorecard
from fleet.errors import EstimateError


def orders(told: list[float], real: list[float], *, wrong: bool = False) -> pd.DataFrame:
    mid = np.array(told)
    columns = {"node_id": np.arange(len(told)), "told_wrong": wrong}
    for name in ("wakes_per_day", "drain_mah_per_day", "days_left"):
        columns |= {name: mid, f"{name}_lo": mid * 0.9, f"{name}_hi": mid * 1.1, f"{name}_real": np.array(real)}
    return pd.DataFrame(columns)


def test_predictions_that_came_true_widen_nothing() -> None:
    card = scorecard(orders([10.0] * 8, [10.0] * 8))
    assert card.median_error_frac == 0.0
    assert card.held_frac == 1.0
    assert card.pooled_log_sd == 0.0


def test_errors_beyond_the_interval_widen_later_predictions() -> None:
    """All off by a factor of 1.5: ln 1.5 = 0.405, promised was ln(1.1 / 0.9) / 2.563 = 0.078; the rest is 0.398."""
    card = scorecard(orders([10.0] * 8, [15.0] * 8))
    assert card.pooled_log_sd == pytest.approx(0.398, abs=1e-3)
    assert card.held_frac == 0.0


def test_not_known_yet_is_na_and_told_wrong_counts_as_a_factor_of_two() -> None:
    card = scorecard(orders([10.0, 10.0], [10.0, np.nan]))
    assert card.orders["wakes_per_day_held"].isna().tolist() == [False, True]
    wrong = scorecard(orders([10.0] * 4, [10.0] * 4, wrong=True))
    assert wrong.pooled_log_sd == pytest.approx(np.log(2.0), abs=0.01)


def test_nothing_proven_is_nan_not_zero() -> None:
    assert np.isnan(scorecard(orders([10.0], [np.nan])).median_error_frac)


def test_a_missing_column_is_named() -> None:
    with pytest.raises(EstimateError, match="told_wrong"):
        scorecard(orders([1.0], [1.0]).drop(columns="told_wrong"))
