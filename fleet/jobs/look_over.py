"""What `wakeledger check` looks at without a broker: settings, set-up files, database, clock."""

from __future__ import annotations

from datetime import UTC, datetime

from fleet.errors import FleetError
from fleet.jobs.deployment import load_deployment
from fleet.settings import Settings
from fleet.store.engine import open_store, sqlite_race_note

Seen = tuple[str, bool, str]
CLOCK_SET_SINCE = datetime(2024, 1, 1, tzinfo=UTC)


def look_over(settings: Settings, now_at: datetime) -> list[Seen]:
    """One line a thing: what, whether it is well, what was found and what to do."""
    read: Seen = ("settings", True, f"read; database {settings.database}")
    return [read, *_setup(settings), *_database(settings), _clock(now_at)]


def _setup(settings: Settings) -> list[Seen]:
    folder = settings.setup_dir
    visits = folder / "visits.csv"
    try:
        deployment = load_deployment(folder / "profiles", folder / "nodes.csv", visits if visits.exists() else None)
    except FleetError as why:
        return [("set-up files", False, str(why))]
    wrong: list[Seen] = [("set-up files", False, str(problem)) for problem in deployment.problems]
    count = f"{len(deployment.nodes)} nodes, {len(deployment.profiles)} profiles, {len(deployment.events)} told events"
    return wrong or [("set-up files", True, count)]


def _database(settings: Settings) -> list[Seen]:
    try:
        store = open_store(settings.database_url, readonly=True)
    except FleetError as why:
        return [("database", False, str(why))]
    store.close()
    note = sqlite_race_note() if settings.database.startswith("sqlite") else None
    return [("database", True, "opened, right version" + (f"; note: {note}" if note else ""))]


def _clock(now_at: datetime) -> Seen:
    if now_at < CLOCK_SET_SINCE:
        return ("clock", False, f"this machine says {now_at:%Y-%m-%d}; set its clock before records are stored.")
    return ("clock", True, f"{now_at:%Y-%m-%d %H:%M:%S} UTC; a time service should keep it")
