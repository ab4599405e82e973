"""What-if against the same tide run again under other settings (simulated here, independent of fleet.advice)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.advice.fleet import Known, ask, known_node
from fleet.messages import BandSettings
from tests.fleet.advice.simulated_node import NOW, profile, records, setting_rows, tide, wakes_of

SLOW = tide()


@pytest.fixture(scope="module", params=[True, False], ids=["with summaries", "samples only"])
def known(request: pytest.FixtureRequest) -> Known:
    found = known_node(records(SLOW, summaries=request.param), setting_rows(), {"node_id": 1}, profile(), {})
    assert found is not None
    return found


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"hyst": 0.1},
        {"hi": 0.88, "lo": -0.88},
        {"sleep_s": 7200.0},
        {"hyst": 0.06, "sleep_s": 10_800.0},
        {"hi": 0.6},
    ],
    ids=str,
)
def test_wakes_a_day_come_close_to_a_run_under_those_settings(known: Known, given: dict[str, float]) -> None:
    told = ask(known, given)
    at, _, _ = wakes_of(SLOW, told.settings, 0.02, seed=77)
    real = len(at) / (len(SLOW) / 1440)
    assert told.wakes_per_day.mid == pytest.approx(real, rel=0.15)
    assert told.wakes_per_day.lo <= told.wakes_per_day.mid <= told.wakes_per_day.hi


def test_hysteresis_leaves_two_wakes_a_tide_and_edge(known: Known) -> None:
    """M2 has 1.932 highs a day (12.42 h); each passes either edge once when chatter is gone."""
    told = ask(known, {"hyst": 0.2})
    assert told.by_cause["band_high"] == pytest.approx(1.932, rel=0.1)
    assert told.by_cause["band_low"] == pytest.approx(1.932, rel=0.1)


def test_every_tide_above_the_present_edge_is_still_seen_by_a_lower_edge_and_none_by_one_out_of_reach(
    known: Known,
) -> None:
    assert ask(known, {"hi": 0.7, "lo": -0.7}).events_seen.mid > 0.97
    assert ask(known, {"hi": 1.25, "lo": -1.25}).events_seen.mid < 0.05


def test_same_band_is_answered_in_closed_form_and_keeps_the_band_wakes_seen(known: Known) -> None:
    told = ask(known, {"sleep_s": 1800.0})
    assert told.method == "closed form"
    seen_per_d = sum(known.model.seen_band) / known.model.paths.span_d
    assert told.by_cause["band_low"] + told.by_cause["band_high"] == pytest.approx(seen_per_d, rel=0.05)


def test_result_has_the_keys_of_the_contract_and_null_for_what_is_not_known(known: Known) -> None:
    result = ask(known, {"hyst": 0.05}).as_result()
    wanted = {"set", "method", "days_left_p10", "days_left_p50", "days_left_p90"}
    wanted |= {f"{w}{e}" for w in ("wakes_per_day", "drain_mah_per_day", "events_seen") for e in ("", "_lo", "_hi")}
    assert set(result) == wanted
    assert result["set"]["hyst"] == 0.05
    assert result["days_left_p50"] is None  # no estimate was given, so days are not known


def test_days_left_scale_with_the_drain() -> None:
    estimate = {
        "as_of": 86_400.0 * 20, "since": 0.0, "drain_mah_per_day": 4.0, "drain_mah_per_day_lo": 3.6,
        "drain_mah_per_day_hi": 4.4,
        "part_sleep": 0.25, "days_left_p10": 80.0, "days_left_p50": 100.0,
        "days_left_p90": 130.0,
    }  # fmt: skip
    known = known_node(records(SLOW), setting_rows(), {"node_id": 1}, profile(), estimate)
    assert known is not None
    now, slower = ask(known, {}), ask(known, {"sleep_s": 21_600.0, "hyst": 0.2})
    assert now.days[1] == pytest.approx(100.0, rel=0.05)
    assert slower.days[1] == pytest.approx(100.0 * now.drain_mah_per_day.mid / slower.drain_mah_per_day.mid, rel=0.05)
    assert slower.days[0] < slower.days[1] < slower.days[2]


def test_lost_records_are_counted_in() -> None:
    whole = records(SLOW)
    kept = whole[np.random.default_rng(3).random(len(whole)) > 0.2].reset_index(drop=True)
    known = known_node(kept, setting_rows(), {"node_id": 1}, profile(), {})
    assert known is not None
    assert ask(known, {}).wakes_per_day.mid == pytest.approx(len(whole) / 21.0, rel=0.12)


def test_level_rearming_repeats_while_the_reading_stays_outside() -> None:
    known = known_node(records(SLOW), setting_rows(), {"node_id": 1}, profile(rearm="level"), {})
    assert known is not None
    raised = ask(known, {"hi": 0.85, "lo": -0.85}).by_cause
    now = ask(known, {}).by_cause
    assert raised["band_high"] < now["band_high"]


def test_without_readings_or_settings_there_is_no_model() -> None:
    silent = records(SLOW).assign(reading=np.nan)
    assert known_node(silent, setting_rows(), {"node_id": 1}, profile(), {}) is None
    assert known_node(records(SLOW), setting_rows().iloc[:0], {"node_id": 1}, profile(), {}) is None


@pytest.mark.parametrize("spoil", ["constant", "two boots", "doubled times", "no sd", "huge gap", "shuffled"])
def test_odd_records_give_an_answer_and_no_warning(spoil: str) -> None:
    frame = records(SLOW)
    if spoil == "constant":
        frame = frame.assign(reading=0.5, asleep_min=0.5, asleep_max=0.5, asleep_mean=0.5, asleep_sd=0.0)
    elif spoil == "two boots":
        frame.loc[200:, "boot"] = 2
        frame.loc[200:, "seq"] = np.arange(len(frame) - 200)
    elif spoil == "doubled times":
        frame = pd.concat([frame, frame.iloc[50:60]], ignore_index=True)
    elif spoil == "no sd":
        frame = frame.assign(asleep_sd=np.nan)
    elif spoil == "huge gap":
        frame.loc[300:, "t"] += 9 * 86_400.0
    else:
        frame = frame.sample(frac=1.0, random_state=1)
    known = known_node(frame, setting_rows(), {"node_id": 1}, profile(), {})
    assert known is not None
    told = ask(known, {"hyst": 0.05})
    assert np.isfinite(told.wakes_per_day.mid)


def test_one_edge_alone_is_enough() -> None:
    settings = BandSettings(lo=None, hi=0.8, hyst=0.0, sleep_s=3600.0, period_ms=60_000.0, avg=4)
    known = known_node(records(SLOW), setting_rows(settings), {"node_id": 1}, profile(), {})
    assert known is not None
    assert ask(known, {"hyst": 0.1}).by_cause["band_low"] == 0.0


def test_more_averaging_never_adds_chatter(known: Known) -> None:
    assert ask(known, {"avg": 16}).wakes_per_day.mid <= ask(known, {}).wakes_per_day.mid * 1.01


def test_settings_of_now_are_those_of_the_last_record(known: Known) -> None:
    assert known.seen.now == NOW


def test_settings_that_came_an_hour_ago_are_judged_by_the_records_before() -> None:
    new = BandSettings(lo=-0.8, hi=0.8, hyst=0.15, sleep_s=7200.0, period_ms=60_000.0, avg=4, rev=3)
    frame = records(SLOW)
    frame.loc[len(frame) - 1 :, "set_id"] = 2
    settings = pd.concat([setting_rows(), setting_rows(new, node_id=2).assign(node_id=1)])
    known = known_node(frame, settings, {"node_id": 1}, profile(), {})
    assert known is not None and known.seen.now.hyst == 0.15
    at, _, _ = wakes_of(SLOW, new, 0.02, seed=77)
    told = ask(known, {})
    assert told.wakes_per_day.mid == pytest.approx(len(at) / 21.0, rel=0.2)
    assert told.wakes_per_day.hi > told.wakes_per_day.mid
