"""Small fleets written straight as day rows, for the rules: 12 like nodes at one site, all healthy unless changed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from fleet.estimates.fleet import Estimates
from fleet.flags.fleet import flag_fleet
from fleet.flags.view import FleetView, view_of
from fleet.frames import CHARGE, DAY, ESTIMATE, EVENT, NODE, OUTLOOK, SETTING, empty_frame
from fleet.profiles.profile import Battery, Figure, Profile, Radio, Sleep, Wake

S_PER_D = 86_400.0
FIRST_DAY = 20_000
DAYS, NODES = 60, 12
Change = Callable[[pd.DataFrame], None]

PROFILE = Profile(
    profile="p",
    sleep=Sleep(current_ua=Figure(10.0)),
    wake=Wake(current_ma=Figure(30.0), length_ms=Figure(400.0)),
    radio=Radio(current_ma=Figure(90.0), length_ms=Figure(1500.0)),
    battery=Battery(chemistry="alkaline", series=2, capacity_mah=Figure(2500.0), cutoff_mv=2000.0),
)


def as_of(days: int = DAYS) -> datetime:
    """The moment just after so many whole days."""
    return datetime.fromtimestamp((FIRST_DAY + days) * S_PER_D, UTC)


def healthy_days(days: int = DAYS, nodes: int = NODES, seed: int = 1) -> pd.DataFrame:
    """DAY rows: 24 timer wakes, about two band wakes, calm radio, a moving reading, a slowly falling voltage."""
    rng = np.random.default_rng(seed)
    node_id, day = (part.ravel() for part in np.meshgrid(np.arange(1, nodes + 1), np.arange(days), indexing="ij"))
    n = len(day)
    frame = pd.DataFrame({name: np.full(n, np.nan) for name in DAY})
    band = rng.poisson(2.0, n).astype(float)
    wakes = 24.0 + band
    temp = 12 + 5 * np.sin(day / 9.0) + rng.normal(0, 0.5, n)
    begin = (FIRST_DAY + day) * S_PER_D
    total = pd.Series(wakes).groupby(node_id).cumsum().to_numpy() + 1000 * node_id
    rest = 3000 - 1.2 * day + 0.5 * (temp - 12) + rng.normal(0, 1.5, n)
    causes = {name: np.zeros(n) for name in DAY if name.startswith("n_")}
    causes |= {"n_timer": np.full(n, 24.0), "n_band_high": band}
    return frame.assign(
        node_id=node_id, day=FIRST_DAY + day, seen=wakes, missing=0.0, boots=1.0, first_t=begin + 60,
        last_t=begin + S_PER_D - 60, first_boot=3, last_boot=3, first_seq=total - wakes, last_seq=total - 1,
        **causes,
        radio_count_timer=wakes, radio_ms_timer=wakes * 1500 * np.exp(rng.normal(0, 0.03, n)), awake_count_timer=wakes,
        awake_ms_timer=wakes * 1900, tries=wakes, tries_count=wakes, failed_tries=rng.poisson(0.3, n), rssi_dbm=-75.0,
        batt_count=wakes, batt_mv=rest, batt_tx_mv=rest - 60, batt_tx_min_mv=rest - 70, temp_c=temp,
        temp_at_batt_c=temp, temp_min_c=temp - 4, temp_max_c=temp + 4, reading_count=wakes,
        reading_mean=5 + rng.normal(0, 0.3, n),
        reading_min=4 + rng.normal(0, 0.2, n), reading_max=6 + rng.normal(0, 0.2, n), edge_near=0.0, band_close=0.0,
        gap_max_s=3600.0, clock_count=wakes, clock_unset=0.0, clock_fault=0.0, skew_s=1.0,
        skew_min_s=0.5 + rng.normal(0, 0.1, n), skew_max_s=5.0, set_id=-1.0, set_changes=0.0,
    )  # fmt: skip


def node_list(nodes: int = NODES, sites: int = 1) -> pd.DataFrame:
    """NODE frame."""
    frame = pd.DataFrame({name: pd.Series([np.nan] * nodes, dtype=object if kind == "str" else float)
                          for name, kind in NODE.items()})  # fmt: skip
    ids = np.arange(1, nodes + 1)
    return frame.assign(
        node_id=ids, node=[f"n{one:02d}" for one in ids], site=[f"s{one % sites}" for one in ids], profile="p",
        chemistry="alkaline", sleep_s=3600.0, lo=0.0, hi=9.0, retired=False, known=True,
    )  # fmt: skip


def known_estimates(days: pd.DataFrame, nodes: pd.DataFrame, **columns: np.ndarray) -> Estimates:
    """Estimates that only say when each node was heard last, and what is given."""
    frame = pd.DataFrame({name: np.full(len(nodes), np.nan) for name in ESTIMATE})
    last = days.groupby("node_id")["last_t"].max().reindex(nodes["node_id"]).to_numpy()
    frame = frame.assign(node_id=nodes["node_id"].to_numpy(), last_heard=last, **columns)
    swaps = pd.DataFrame({"node_id": np.array([], "int32"), "at": np.array([], float), "told": np.array([], bool)})
    return Estimates(frame, empty_frame(CHARGE), empty_frame(OUTLOOK), swaps)


def made_view(change: Change | None = None, *, days: int = DAYS, **columns: np.ndarray) -> FleetView:
    """The view of a healthy fleet after a change to its day rows."""
    frame, nodes = healthy_days(days), node_list()
    if change:
        change(frame)
    return view_of(
        frame, known_estimates(frame, nodes, **columns), nodes, {"p": PROFILE}, empty_frame(EVENT),
        settings=empty_frame(SETTING), orders=pd.DataFrame(), as_of_at=as_of(days),
    )  # fmt: skip


def made_flags(change: Change | None = None, *, budget: float = 1.0, days: int = DAYS) -> pd.DataFrame:
    """FLAG frame of the same fleet."""
    frame, nodes = healthy_days(days), node_list()
    if change:
        change(frame)
    return flag_fleet(
        frame, known_estimates(frame, nodes), nodes, {"p": PROFILE}, empty_frame(EVENT),
        settings=empty_frame(SETTING), orders=pd.DataFrame(), as_of_at=as_of(days), expected_false_per_week=budget,
    )  # fmt: skip


def since_day(frame: pd.DataFrame, node: int, day: int) -> pd.Series:
    """Rows of a node from a day on."""
    return (frame["node_id"] == node) & (frame["day"] >= FIRST_DAY + day)
