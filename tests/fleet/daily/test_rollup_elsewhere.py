"""The same day rows by DuckDB's SQL on the same records."""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from fleet.daily.rollup import roll_up
from tests.fleet.daily.test_rollup import made_fleet

BY_SQL = """
with boots as (
    select node_id, floor(t / 86400) as day, boot, min(t) as began, min(seq) as low,
        max(seq) - min(seq) + 1 - count(*) as gap
    from records group by 1, 2, 3
), ranked as (
    select *, row_number() over (partition by node_id, day order by began) as place from boots
), lost as (
    select node_id, day, sum(gap + case when place = 1 then 0 else low end) as missing, count(*) as boots
    from ranked group by 1, 2
), sums as (
    select node_id, floor(t / 86400) as day, count(*) as seen, quantile_disc(batt_tx_mv, 0.5) as batt_tx_mv,
        min(batt_tx_mv) as batt_tx_min_mv, avg(temp_c) as temp_c, max(temp_c) as temp_max_c, sum(runs) as runs,
        stddev_pop(reading) as reading_sd, count(*) filter (where cause = 3) as n_count, sum(awake_ms) as awake_ms,
        max(late_s) as late_max_s, min(t) as first_t, max(t) as last_t, arg_max(batt_mv, t) as batt_last_mv
    from records group by 1, 2
)
select * from sums join lost using (node_id, day) order by node_id, day
"""


def test_day_rows_equal_those_of_duckdb() -> None:
    """Source: DuckDB, grouping sets of plain SQL; its `quantile_disc` is the lower median."""
    table = made_fleet(21, nodes=8, days=6)
    frame = pd.DataFrame(table)
    frame = frame.astype({name: "float64" for name in frame if frame[name].dtype.kind == "f"})
    connection = duckdb.connect()
    connection.register("records", frame.replace({np.nan: None}).convert_dtypes())
    want = connection.execute(BY_SQL).df()
    days = roll_up(table)
    awake = sum(np.nan_to_num(days[f"awake_ms_{group}"]) for group in ("timer", "band", "reset", "other", "unknown"))
    assert_allclose(awake, want["awake_ms"].to_numpy(float), rtol=1e-12)
    for name in want.columns.drop("awake_ms"):
        assert_allclose(days[name], want[name].to_numpy(float), rtol=1e-12, atol=1e-9, err_msg=name)
