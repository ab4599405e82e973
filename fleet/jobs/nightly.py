"""The nightly job: read → roll up → estimate → flag → advise → write, on one screen."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from fleet.advice.choose import Target
from fleet.jobs.analyse import RECORDS_FOR_ADVICE_D, Evidence, Findings, analyse
from fleet.jobs.deployment import Deployment, load_deployment
from fleet.jobs.proof import wider_by_node
from fleet.settings import Settings
from fleet.store.days import read_days, roll_up_dirty
from fleet.store.engine import Store
from fleet.store.findings import write_findings
from fleet.store.orders import read_open_orders
from fleet.store.reading import read_hists, read_records, read_settings
from fleet.store.setup import read_events, read_nodes, sync_nodes
from fleet.units import S_PER_D


def nightly(store: Store, settings: Settings, *, now_at: datetime, target: Target | None = None) -> Findings:
    """Bring days, estimates, flags and advice up to date with what has arrived."""
    deployment = read_deployment(store, settings.setup_dir)
    roll_up_dirty(store)
    findings = analyse(
        read_evidence(store, now_at),
        deployment,
        as_of_at=now_at,
        target=target,
        false_alarms_per_week=settings.flags.false_alarms_per_week,
    )
    write_findings(store, findings.estimates, findings.flags, findings.advice, as_of_at=now_at)
    return findings


def read_evidence(store: Store, now_at: datetime) -> Evidence:
    """Everything one analysis rests on, as of now."""
    until_s = now_at.timestamp()
    since_s = until_s - RECORDS_FOR_ADVICE_D * S_PER_D
    records = read_records(store, since_s, until_s)
    return Evidence(
        days=read_days(store),
        records=records,
        settings=read_settings(store),
        orders=read_open_orders(store),
        hists=read_hists(store, records),
        wider_log_sd=wider_by_node(store, read_nodes(store), now_at=now_at),
    )


def read_deployment(store: Store, setup_dir: Path) -> Deployment:
    """Profiles from the set-up folder; nodes and events as the store knows them."""
    written = load_deployment(setup_dir / "profiles", setup_dir / "nodes.csv", _existing(setup_dir / "visits.csv"))
    return written.with_nodes(read_nodes(store), read_events(store))


def sync_setup(store: Store, setup_dir: Path) -> Deployment:
    """Take what the set-up files say into the store; rows in error are listed and left as they were."""
    written = load_deployment(setup_dir / "profiles", setup_dir / "nodes.csv", _existing(setup_dir / "visits.csv"))
    sync_nodes(store, written.nodes, written.events)
    return written.with_nodes(read_nodes(store), read_events(store))


def _existing(path: Path) -> Path | None:
    return path if path.exists() else None
