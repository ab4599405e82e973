"""Gaps between days: exact by lifetime count or by counter, told apart from cold starts and wiped flash."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from fleet.daily.gaps import day_gaps, silences_s
from fleet.daily.grid import day_grid
from fleet.daily.rollup import roll_up
from tests.fleet.daily.made_days import day_rows

D = 86_400.0


def test_a_gap_inside_one_boot_is_exact_by_counter() -> None:
    gaps = day_gaps(day_rows([(0, 1, 5, 10), (3, 1, 30, 35)]))
    assert (gaps.missing[1], gaps.restarted[1], gaps.counted[1]) == (19, False, True)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_a_wrap_between_days_is_no_cold_start(bits: int) -> None:
    gaps = day_gaps(day_rows([(0, 1, 2**bits - 10, 2**bits - 3), (1, 1, 2, 8)]))
    assert (gaps.missing[1], gaps.restarted[1]) == (4, False)


def test_a_cold_start_between_days_counts_what_the_new_boot_knows() -> None:
    gaps = day_gaps(day_rows([(0, 1, 500, 510), (1, 2, 4, 8)]))
    assert (gaps.missing[1], gaps.restarted[1], gaps.counted[1]) == (4, True, False)


def test_a_wiped_flash_with_the_same_boot_number_is_a_restart() -> None:
    gaps = day_gaps(day_rows([(0, 1, 40_000, 40_010), (1, 1, 0, 8)]))
    assert (gaps.missing[1], gaps.restarted[1], gaps.counted[1]) == (0, True, False)


def test_the_lifetime_count_settles_a_cold_start() -> None:
    """115 wakes lived between the last records of both days, 5 seen on the second: 110 have no record."""
    gaps = day_gaps(day_rows([(0, 1, 500, 510, 1000.0), (1, 2, 4, 8, 1115.0)]))
    assert (gaps.missing[1], gaps.counted[1]) == (110, True)


def test_a_counter_that_could_not_have_come_so_far_is_not_believed() -> None:
    gaps = day_gaps(day_rows([(0, 1, 500, 510), (1, 1, 90_000_000, 90_000_005)]))
    assert (gaps.missing[1], gaps.counted[1]) == (0, False)


def test_two_nodes_have_no_gap_between_them() -> None:
    rows = {name: np.tile(values, 2) for name, values in day_rows([(0, 1, 0, 4)]).items()}
    rows["node_id"] = np.array([1, 2])
    assert_array_equal(np.isnan(day_gaps(rows).missing), [True, True])


def test_silences_are_found_within_and_between_days() -> None:
    rows = day_rows([(0, 1, 5, 10), (3, 1, 30, 35)])
    found, length_s = silences_s(day_gaps(rows), rows, at_least_s=2 * D)
    assert_array_equal(found, [1])
    assert_allclose(length_s, rows["first_t"][1] - rows["last_t"][0])


def test_the_grid_shares_a_gap_out_by_time_and_keeps_the_sum() -> None:
    grid = day_grid(day_rows([(0, 1, 0, 9), (3, 1, 107, 110)]))
    assert_allclose(grid.wakes.sum(), 111)
    assert_allclose(grid.gap_missing.sum(), 97)
    assert grid.gap_missing[0, 1] == pytest.approx(grid.gap_missing[0, 2])
    assert_array_equal(grid.has_row[0], [True, False, False, True])
    assert np.isnan(grid["batt_mv"][0, 1])


def test_the_grid_covers_the_time_between_first_and_last_record() -> None:
    rows = day_rows([(0, 1, 0, 9), (3, 1, 107, 110)])
    grid = day_grid(rows)
    assert_allclose(grid.covered_s.sum(), rows["last_t"][1] - rows["first_t"][0])
    assert_allclose(grid.covered_s[0, 1:3], D)


def test_a_window_of_the_grid_knows_the_gap_into_its_first_day() -> None:
    rows = day_rows([(0, 1, 0, 9), (1, 1, 20, 30)])
    whole, part = day_grid(rows), day_grid(rows, first_day=1)
    assert_allclose(part.wakes[0, 0], whole.wakes[0, 1])
    assert_allclose(part.covered_s[0, 0], whole.covered_s[0, 1])


def test_nodes_come_in_the_order_asked_for_and_unknown_ones_are_empty() -> None:
    rows = {name: np.tile(values, 2) for name, values in day_rows([(0, 1, 0, 4)]).items()}
    rows["node_id"] = np.array([7, 3])
    rows["seen"] = np.array([5.0, 6.0])
    grid = day_grid(rows, [3, 9, 7])
    assert_allclose(grid.seen[:, 0], [6, 0, 5])


def test_counts_over_many_days_with_losses_equal_the_truth() -> None:
    """A node that wakes every 700 s for 12 days through cold starts, half of its records lost; its lifetime is sent."""
    rng = np.random.default_rng(8)
    n_wakes = 1500
    boot = np.cumsum(rng.random(n_wakes) < 0.003)
    seq = np.arange(n_wakes) - np.maximum.accumulate(np.where(np.diff(boot, prepend=0) > 0, np.arange(n_wakes), 0))
    kept = rng.random(n_wakes) > 0.5
    kept[[0, -1]] = True
    life = np.arange(n_wakes, dtype=float)
    table = {"t": np.arange(n_wakes) * 700.0, "boot": boot, "seq": seq, "life_wakes": life, "cause": seq * 0}
    days = roll_up({"node_id": seq[kept] * 0, **{name: values[kept] for name, values in table.items()}})
    assert day_grid(days).wakes.sum() == pytest.approx(n_wakes)
