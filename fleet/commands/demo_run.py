"""The demo as a table of contents: play, ingest, analyse, report, retune, play on, compare."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from fleet.commands.demo_retune import Retuned, posting_in_played_time, retune_three
from fleet.commands.demo_words import told
from fleet.demo.embedded import embedded_broker
from fleet.demo.live import live_on
from fleet.demo.play import AHEAD_COUNT, Pace, play
from fleet.demo.prepare import Prepared, prepare
from fleet.demo.scenario import SINCE_AT, UNTIL_AT, WEEKS
from fleet.errors import BrokerError
from fleet.jobs.analyse import Findings
from fleet.jobs.nightly import nightly, sync_setup
from fleet.settings import Settings, load_settings
from fleet.store.engine import Store, open_store
from fleet.store.latest import read_latest
from fleet.store.records import Written

DATABASE = "wakeledger.sqlite"
STORED_WITHIN_S = 60.0
START_WITHIN_S = 30.0
AHEAD_OF_ANY_BROKER_COUNT = 500  # many brokers keep 1,000 messages for a client, and drop the next


@dataclass(frozen=True)
class Stage:
    """Everything that the demo's steps share."""

    settings: Settings
    store: Store
    prepared: Prepared
    url: str
    progress: Progress
    pace: Pace


def run_demo(folder: Path, *, broker_url: str | None, live_speed_up: float | None) -> list[str]:
    """Run it all; the lines to print at the end.

    Raises
    ------
    BrokerError
        If the broker can't be used.
    """
    begin_anew(folder)
    with ExitStack() as held:
        url = broker_url or held.enter_context(embedded_broker())
        prepared = prepare(folder, url=url)
        settings = load_settings(folder / "fleet.toml", environ={})
        stored = held.enter_context(listening(folder))
        store = held.enter_context(open_store(settings.database_url))
        progress = held.enter_context(_progress())
        pace = Pace(stored=stored, ahead_count=AHEAD_COUNT if broker_url is None else AHEAD_OF_ANY_BROKER_COUNT)
        stage = Stage(settings, store, prepared, url, progress, pace)
        sync_setup(store, settings.setup_dir)
        play_weeks(stage, WEEKS - 1)
        nightly(store, settings, now_at=UNTIL_AT - timedelta(weeks=1))
        play_weeks(stage, 1)
        findings = _step(progress, "analysing", lambda: nightly(store, settings, now_at=UNTIL_AT))
        report = _step(progress, "writing the report", lambda: write_report(folder))
        retuned = retune_three(stage, findings)
        _step(progress, "analysing again", lambda: nightly(store, settings, now_at=moment_of(prepared)))
        if live_speed_up is not None:
            go_on(stage, live_speed_up)
        return told(stage, findings, retuned, report)


def begin_anew(folder: Path) -> None:
    """Take away what an earlier demo left; nothing else in the folder is touched."""
    for path in folder.glob(f"{DATABASE}*"):
        path.unlink()


@contextmanager
def listening(folder: Path) -> Iterator[Callable[[], int]]:
    """`wakeledger listen` in a process of its own, as in a deployment; it believes the played times.

    Gives how many records it has committed.
    """
    context = multiprocessing.get_context("spawn")
    stop, ready, stored = context.Event(), context.Event(), context.Value("q", 0)
    process = context.Process(target=_listen, args=(str(folder), stop, ready, stored), daemon=True)
    process.start()
    try:
        if not ready.wait(START_WITHIN_S):
            raise BrokerError(
                f"demo: the ingester did not come up within {START_WITHIN_S:.0f} s. See its message above."
            )
        yield lambda: int(stored.value)
    finally:
        stop.set()
        process.join(START_WITHIN_S)


def _listen(folder: str, stop: Any, ready: Any, stored: Any) -> None:
    from fleet.store.lease import INGEST, held
    from ingest.known_nodes import banded_readings
    from ingest.listen import listen

    def count(written: Written) -> None:
        stored.value += written.stored_count + written.duplicate_count + written.set_aside_count

    settings = load_settings(Path(folder) / "fleet.toml", environ={})
    with open_store(settings.database_url) as store, held(store, INGEST, what="demo", now_s=time.time):
        banded = banded_readings(store)
        listen(store, settings, stop=stop, on_ready=ready.set, on_batch=count, replayed=True, banded=banded)


def play_weeks(stage: Stage, weeks: float) -> None:
    """Let the nodes live and send, and wait until everything they sent is stored."""
    begun_s = stage.prepared.flats.at_s
    task = stage.progress.add_task(f"{weeks:g} weeks of messages", total=weeks)
    sent_at_s, count = begun_s, 0
    for played in play(stage.prepared.flats, stage.url, stage.prepared.root, weeks=weeks, pace=stage.pace):
        sent_at_s, count = played.at_s, played.messages_count
        stage.progress.update(task, completed=(sent_at_s - begun_s) / 604_800.0)
    wait_until_stored(stage.store, sent_at_s)
    stage.progress.update(task, completed=weeks, description=f"{count:,} messages through the broker")


def wait_until_stored(store: Store, arrived_s: float) -> None:
    """Wait until a record that arrived then is in the database.

    Raises
    ------
    BrokerError
        If it does not come within a minute.
    """
    until_s = time.monotonic() + STORED_WITHIN_S
    while time.monotonic() < until_s:
        heard = read_latest(store)["last_heard"]
        if len(heard) and heard.max() >= arrived_s - 1e-3:
            return
        time.sleep(0.1)
    raise BrokerError("demo: the last messages were not stored within a minute. Is the broker dropping messages?")


def moment_of(prepared: Prepared) -> datetime:
    """The scenario's own now."""
    return datetime.fromtimestamp(prepared.flats.at_s, UTC)


def write_report(folder: Path) -> Path:
    """The weekly report of the last analysis."""
    from reports.make import make_report

    before = os.environ.get("FLEET_SETTINGS")
    os.environ["FLEET_SETTINGS"] = str(folder / "fleet.toml")
    try:
        return make_report(anew=True).folder
    finally:
        if before is None:
            del os.environ["FLEET_SETTINGS"]
        else:
            os.environ["FLEET_SETTINGS"] = before


def go_on(stage: Stage, speed_up: float) -> None:
    """Play on at a speed-up until Ctrl-C; the nodes take the orders that anyone sends meanwhile."""
    from fleet.demo.flats import end_s
    from fleet.demo.play import OrderBox

    flats = stage.prepared.flats
    task = stage.progress.add_task("live; Ctrl-C stops", total=None)
    with OrderBox(stage.url, stage.prepared.root) as box, posting_in_played_time(stage):
        steps = live_on(
            flats, stage.url, stage.prepared.root,
            speed_up=speed_up, end_s=end_s(flats), box=box, keys=stage.prepared.keys,
        )  # fmt: skip
        try:
            for played in steps:
                at = datetime.fromtimestamp(played.at_s, UTC)
                stage.progress.update(task, description=f"live, {at:%Y-%m-%d %H:%M}; Ctrl-C stops")
        except KeyboardInterrupt:
            stage.progress.update(task, description="stopped")


def _progress() -> Any:
    console = Console(stderr=True)
    if not console.is_terminal:
        return nullcontext(Progress(console=console, disable=True))
    return Progress(TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), console=console)


def _step(progress: Progress, name: str, work: Any) -> Any:
    task = progress.add_task(name, total=1)
    result = work()
    progress.update(task, completed=1)
    return result


__all__ = ["SINCE_AT", "Findings", "Retuned", "Stage", "run_demo"]
