"""Day rows: exact counts through gaps, wraps, cold starts and wiped flash; the same rows in any order of arrival."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from fleet.daily.rollup import roll_up, roll_up_blocks
from fleet.errors import EstimateError
from fleet.frames import DAY, RECORD
from fleet.words import Cause

Table = dict[str, np.ndarray]


def records(boot: list[int], seq: list[int], step_s: float = 600.0, **more: list[float]) -> Table:
    """Records of one node, `step_s` apart unless `t` is given."""
    n_rows = len(seq)
    t = more.pop("t", [step_s * number for number in range(n_rows)])
    table = {"node_id": np.ones(n_rows, int), "t": np.array(t, float), "boot": np.array(boot), "seq": np.array(seq)}
    return {**table, "cause": np.zeros(n_rows, int), **{name: np.array(values) for name, values in more.items()}}


def made_fleet(seed: int, nodes: int = 6, days: int = 4) -> Table:
    """A small fleet with losses, cold starts, and every column filled here and there."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, float]] = []
    for node in range(nodes):
        boot, seq, t = int(rng.integers(0, 5)), int(rng.integers(0, 100)), float(rng.uniform(0, 4000))
        while t < days * 86_400:
            if rng.random() < 0.02:
                boot, seq = boot + 1, 0
            if rng.random() > 0.1:
                rows.append({"node_id": node, "t": t, "boot": boot, "seq": seq, "cause": int(rng.integers(0, 11))})
            seq, t = seq + 1, t + float(rng.uniform(300, 6000))
    table = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    n_rows = len(rows)
    for name, dtype in RECORD.items():
        if name not in table and dtype == "float64":
            values = np.round(rng.uniform(1, 3000, n_rows), 1)
            table[name] = np.where(rng.random(n_rows) < 0.2, np.nan, values)
    table["arrived"] = table["t"] + 3.0
    table["batt_mv"] = np.round(table["batt_mv"])
    return table


def row(days: Table) -> dict[str, float]:
    """The only day row there is."""
    assert len(days["day"]) == 1
    return {name: values[0] for name, values in days.items()}


def test_wakes_missing_at_a_16_bit_wrap() -> None:
    """Source: defined by the wire contract; 65532, 65534, 65535, 0 and 1 have no record, so 5 are missing."""
    assert row(roll_up(records([1] * 5, [65_530, 65_531, 65_533, 2, 3])))["missing"] == 5


def test_doubles_and_disorder_are_not_loss() -> None:
    """Source: counting by hand: 10, 11, 12 and 13 are all there."""
    day = row(roll_up(records([1] * 5, [10, 11, 11, 13, 12], t=[0.0, 60, 60, 120, 180])))
    assert (day["seen"], day["missing"]) == (4, 0)


def test_a_cold_start_is_not_a_wrap() -> None:
    """Source: counting by hand; reading the restart as a wrap would invent 65,034 wakes."""
    day = row(roll_up(records([1, 1, 2, 2, 2], [500, 501, 0, 1, 3])))
    assert (day["missing"], day["boots"], day["last_seq"]) == (1, 2, 3)


def test_a_cold_start_whose_first_wakes_are_missing_counts_them() -> None:
    """Boot 2 is first heard at its wake 2, so its wakes 0 and 1 happened."""
    assert row(roll_up(records([1, 1, 2, 2], [500, 501, 2, 3])))["missing"] == 2


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_wraps_of_each_width(bits: int) -> None:
    top = 2**bits
    assert row(roll_up(records([1] * 4, [top - 2, top - 1, 1, 2])))["missing"] == 1


def test_wiped_flash_with_the_same_boot_number_starts_a_new_run() -> None:
    day = row(roll_up(records([1, 1, 1, 1], [40_000, 40_001, 0, 1])))
    assert (day["missing"], day["boots"], day["first_seq"], day["last_seq"]) == (0, 2, 40_000, 1)


def test_wiped_flash_with_a_lower_boot_number_is_told_apart_by_time() -> None:
    day = row(roll_up(records([7, 7, 0, 0], [40, 41, 0, 1])))
    assert (day["missing"], day["first_boot"], day["last_boot"], day["last_seq"]) == (0, 7, 0, 1)


def test_uptime_tells_a_restart_from_a_wrap() -> None:
    """Same counters as a wrap, but the uptime starts again: a restart with two wakes before the first heard."""
    up_s = [9e5, 9e5 + 600, 590.0, 1190.0]
    assert row(roll_up(records([1] * 4, [65_534, 65_535, 2, 3], up_s=up_s)))["missing"] == 2


def test_a_backlog_that_comes_after_newer_records_fills_its_gap() -> None:
    """Seq 200 is sent first, then the 100 kept ones; without a clock they all have the time of arrival."""
    seq = [98, 99, 200, *range(100, 200), 201]
    t = [0.0, 600.0, 60_000.0, *[60_001.0] * 100, 60_600.0]
    day = row(roll_up(records([1] * len(seq), seq, t=t)))
    assert (day["seen"], day["missing"], day["last_seq"]) == (104, 0, 201)


def test_awake_time_goes_to_the_cause_of_the_wake_before() -> None:
    """The second record tells of the first, a timer wake; the fourth tells of a wake without a record."""
    table = records([1] * 4, [1, 2, 3, 5], awake_ms=[111.0, 200.0, 300.0, 500.0], radio_ms=[np.nan, 100.0, 0.0, 90.0])
    table["cause"] = np.array([Cause.TIMER, Cause.BAND_LOW, Cause.PIN, Cause.TIMER])
    day = row(roll_up(table))
    assert (day["awake_ms_timer"], day["awake_ms_band"], day["awake_ms_unknown"]) == (200, 300, 611)
    assert (day["radio_count_band"], day["radio_ms_band"], day["awake_count_unknown"]) == (1, 0, 2)
    assert np.isnan(day["awake_ms_reset"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_any_order_of_arrival_with_doubles_gives_the_same_rows(seed: int) -> None:
    table = made_fleet(seed)
    rng = np.random.default_rng(seed)
    shuffled = rng.permutation(np.concatenate([np.arange(len(table["t"])), rng.integers(0, len(table["t"]), 50)]))
    want, got = roll_up(table), roll_up({name: values[shuffled] for name, values in table.items()})
    for name in DAY:
        assert_array_equal(got[name], want[name], err_msg=name)


def test_blocks_give_the_same_rows_as_one_piece() -> None:
    table = made_fleet(4)
    want = roll_up(table)
    blocks = list(roll_up_blocks(table, block_rows=50))
    assert len(blocks) > 3
    for name in DAY:
        assert_array_equal(np.concatenate([block[name] for block in blocks]), want[name], err_msg=name)


def test_days_rolled_up_one_by_one_equal_days_rolled_up_together() -> None:
    table = made_fleet(5)
    want = roll_up(table)
    parts = [
        roll_up({name: values[table["t"] // 86_400 == day] for name, values in table.items()})
        for day in np.unique(want["day"])
    ]
    order = np.lexsort((want["node_id"], want["day"]))
    for name in DAY:
        assert_array_equal(np.concatenate([part[name] for part in parts]), want[name][order], err_msg=name)


def test_sums_and_medians_equal_those_of_pandas() -> None:
    """Source: the same groups by pandas; its lower median is the `lower` quantile."""
    table = made_fleet(6)
    frame = pd.DataFrame(table).assign(day=lambda f: (f.t // 86_400).astype(int))
    frame["factor"] = 2 ** ((frame.temp_c - 20) / 10)
    grouped = frame.groupby(["node_id", "day"])
    days = roll_up(table)
    want = {
        "seen": grouped.size(),
        "batt_mv": grouped.batt_mv.quantile(0.5, interpolation="lower"),
        "batt_min_mv": grouped.batt_mv.min(),
        "temp_c": grouped.temp_c.mean(),
        "temp_factor_q10": grouped.factor.mean(),
        "runs": grouped.runs.sum(min_count=1),
        "tries": grouped.tries.sum(min_count=1),
        "reading_sd": grouped.reading.std(ddof=0),
        "late_s": grouped.late_s.quantile(0.5, interpolation="lower"),
        "rssi_dbm": grouped.rssi_dbm.quantile(0.5, interpolation="lower").clip(upper=1000),
        "gap_max_s": grouped.t.apply(lambda t: t.sort_values().diff().max()),
        "n_crash": grouped.cause.apply(lambda cause: (cause == Cause.CRASH).sum()),
    }
    for name, values in want.items():
        assert_allclose(days[name], values.to_numpy(dtype=float), rtol=1e-12, atol=1e-9, err_msg=name)
    awake = sum(np.nan_to_num(days[f"awake_ms_{group}"]) for group in ("timer", "band", "reset", "other", "unknown"))
    assert_allclose(awake, grouped.awake_ms.sum().to_numpy(), rtol=1e-12)


def test_asleep_statistics_are_pooled() -> None:
    """By hand: 1, 3 and 5, 5, 8, 10 have mean 32/6 and variance (1+9+25+25+64+100)/6 - (32/6)^2."""
    table = records([1, 1], [1, 2], asleep_n=[2.0, 4.0], asleep_mean=[2.0, 7.0], asleep_sd=[1.0, np.sqrt(4.5)])
    day = row(roll_up(table))
    assert_allclose([day["asleep_count"], day["asleep_mean"]], [6, 32 / 6])
    assert_allclose(day["asleep_sd"], np.sqrt(224 / 6 - (32 / 6) ** 2))


def test_band_wakes_near_the_edge_and_close_in_time() -> None:
    table = records([1] * 3, [1, 2, 3], t=[0.0, 100.0, 5000.0], reading=[1.01, 0.99, 2.5], set_id=[4, 4, -1])
    table["cause"] = np.array([Cause.BAND_LOW, Cause.BAND_LOW, Cause.BAND_HIGH])
    settings = {"set_id": np.array([3, 4]), "lo": np.array([0.0, 1.0]), "hi": np.array([9.0, 2.0])}
    day = row(roll_up(table, settings))
    assert (day["edge_near"], day["band_close"], day["set_id"], day["set_changes"]) == (2, 1, 4, 0)
    assert np.isnan(row(roll_up(table))["edge_near"])


def test_nothing_known_is_nan_not_zero() -> None:
    day = row(roll_up(records([1], [1])))
    for name in ("batt_mv", "temp_c", "runs", "tries", "awake_ms_timer", "asleep_count", "skew_s", "gap_max_s"):
        assert np.isnan(day[name]), name
    assert (day["clock_unset"], day["clock_count"], day["set_id"]) == (1, 0, -1)


@given(st.data())
def test_counts_are_exact_whatever_is_lost(data: st.DataObject) -> None:
    """A counter of 16 bits that starts anywhere, wakes evenly, and starts again at cold starts with its own boot."""
    n_wakes, start = data.draw(st.integers(2, 140)), data.draw(st.integers(0, 65_535))
    restarts = data.draw(st.sets(st.integers(1, n_wakes - 1), max_size=3))
    boot, seq, now = [], [], start
    for wake in range(n_wakes):
        now = 0 if wake in restarts else now
        boot.append(1 + sum(1 for at in restarts if at <= wake))
        seq.append(now % 65_536)
        now += 1
    ends = sorted(
        {0, n_wakes - 1} | {at - 1 for at in restarts}
    )  # what an old boot did after its last record is unknown
    kept = sorted(data.draw(st.sets(st.integers(0, n_wakes - 1))) | set(ends))
    table = {name: np.array(values)[kept] for name, values in (("boot", boot), ("seq", seq))}
    day = row(roll_up({**table, "node_id": table["seq"] * 0, "cause": table["seq"] * 0, "t": np.array(kept) * 600.0}))
    assert day["seen"] + day["missing"] == n_wakes


def test_no_records_give_no_rows() -> None:
    assert all(len(values) == 0 for values in roll_up(records([], [])).values())


def test_a_cause_that_nobody_knows_counts_as_other() -> None:
    table = records([1, 1], [1, 2])
    table["cause"] = np.array([99, -1])
    assert row(roll_up(table))["n_other"] == 2


def test_rows_without_a_time_are_left_out() -> None:
    assert row(roll_up(records([1, 1], [1, 2], t=[np.nan, 60.0])))["seen"] == 1


def test_a_missing_column_is_named() -> None:
    with pytest.raises(EstimateError, match="'seq' is missing"):
        roll_up({"node_id": np.array([1]), "t": np.array([0.0]), "boot": np.array([0]), "cause": np.array([0])})
