"""What `load`, `dump` and `replay` do, with progress on standard error."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

from fleet.clock import monotonic_s, now_s
from fleet.errors import MessageError, SetupError
from fleet.jobs.nightly import sync_setup
from fleet.settings import Settings
from fleet.store.engine import Store, open_store
from fleet.store.lease import INGEST, held
from fleet.store.upgrade import upgrade_store
from fleet.wire_recording import BadLine, Message, read_recording, write_recording
from ingest.dialects import foreign_of
from ingest.known_nodes import banded_readings
from ingest.logfiles import Loaded, load_file, preview
from ingest.recordings import Replay, messages_of_broker, messages_of_store
from ingest.sorting import Sorter

RENEW_S = 30.0
ALWAYS_S = 253_402_300_800.0


def say(text: str) -> None:
    """A line on standard error."""
    sys.stderr.write(text + "\n")


@contextmanager
def opened_for_writing(settings: Settings, what: str) -> Iterator[tuple[Store, Any]]:
    """The store, upgraded, with the one writer's lease; and the lease's renewal."""
    logging.getLogger("alembic").setLevel(logging.WARNING)
    store = open_store(settings.database_url, check_version=False)
    with store:
        upgrade_store(store)
        take_node_list(store, settings)
        with held(store, INGEST, what=what, now_s=now_s) as renew:
            yield store, renew


def take_node_list(store: Store, settings: Settings) -> None:
    """Nodes and told events of the set-up folder, if there is one; what is wrong in it is said, the rest is taken."""
    if not (settings.setup_dir / "nodes.csv").exists():
        return
    try:
        for problem in sync_setup(store, settings.setup_dir).problems:
            say(f"wakeledger: {problem}")
    except SetupError as why:
        say(f"wakeledger: {why}")


@contextmanager
def until_interrupted() -> Iterator[threading.Event]:
    """An event that Ctrl-C and SIGTERM set."""
    stop = threading.Event()
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def load_files(settings: Settings, files: list[Path], mapping: Path | None, any_root: bool) -> None:
    """Store the files, one after the other; a file that can't be read does not stop the others."""
    failed: MessageError | None = None
    foreign = foreign_of(settings, mapping)
    with opened_for_writing(settings, "wakeledger load") as (store, renew), _bar() as bar:
        banded = banded_readings(store)
        renewed_s = monotonic_s()
        for path in files:
            task = bar.add_task(path.name, total=None)

            def on_progress(count: int, task: Any = task) -> None:
                nonlocal renewed_s
                bar.advance(task, count)
                if monotonic_s() - renewed_s > RENEW_S:
                    renew()
                    renewed_s = monotonic_s()

            try:
                loaded = load_file(
                    store,
                    path,
                    root=None if any_root else settings.broker.root,
                    banded=banded,
                    foreign=foreign,
                    on_progress=on_progress,
                )
                _report(path, loaded)
            except MessageError as why:
                say(f"wakeledger: {why}")
                failed = why
    if failed is not None:
        raise MessageError("not all files could be read to their end; what could be read is stored.", failed.reason)


def _bar() -> Progress:
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), DownloadColumn(), TimeRemainingColumn())
    return Progress(*columns, console=console, disable=not console.is_terminal)


def _report(path: Path, loaded: Loaded) -> None:
    text = f"{path}: {loaded.stored_count} records stored, {loaded.duplicate_count} were there already"
    if loaded.skipped_count:
        text += f", {loaded.skipped_count} lines of an earlier load passed over"
    if loaded.set_aside_count:
        text += f", {loaded.set_aside_count} payloads set aside (wakeledger setaside list)"
    if loaded.new_nodes:
        text += f", {len(loaded.new_nodes)} nodes not in the list (wakeledger adopt)"
    say(text)


def preview_files(settings: Settings, files: list[Path], mapping: Path | None, any_root: bool) -> None:
    """Show the first messages of each file as they would be stored."""
    foreign = foreign_of(settings, mapping)
    sorter = Sorter(None if any_root else settings.broker.root, foreign=foreign)
    for path in files:
        for line in preview(path, foreign=foreign):
            if isinstance(line, BadLine):
                sys.stdout.write(f"{path}:{line.number}: set aside: {line.detail}\n")
                continue
            batch = sorter.sort([line])
            for record in batch.records:
                sys.stdout.write(f"{path}: {record.node} at {record.t:.3f} ({record.time_from.name.lower()}) ")
                sys.stdout.write(f"{record.record}\n")
            for answer in batch.answers:
                sys.stdout.write(f"{path}: {answer.node} answers {answer.answer}\n")
            for aside in batch.asides:
                sys.stdout.write(f"{path}: set aside: {aside.reason}: {aside.detail}\n")


def dump_store(settings: Settings, out: Path, since: str | None, until: str | None) -> None:
    """Write what is stored as a recording."""
    since_s = 0.0 if since is None else _moment(since)
    until_s = ALWAYS_S if until is None else _moment(until)
    with open_store(settings.database_url, readonly=True) as store:
        count = write_recording(out, messages_of_store(store, settings.broker.root, since_s, until_s))
    say(f"{out}: {count} records")


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as why:
        raise SetupError(f"{text!r}: expected a moment like 2026-01-31T06:00:00Z.") from why
    if moment.tzinfo is None:
        raise SetupError(f"{text!r}: no zone. Write {text}Z for UTC.")
    return moment.timestamp()


def dump_broker(settings: Settings, out: Path, seconds: float | None) -> None:
    """Write what the broker carries from now on."""
    with until_interrupted() as stop:
        count = write_recording(out, messages_of_broker(settings.broker, stop, seconds))
    say(f"{out}: {count} messages")


def replay_files(settings: Settings, files: list[Path], speed: float | None) -> None:
    """Publish recordings again."""
    replay = Replay(settings.broker, speed)
    console = Console(stderr=True)
    with until_interrupted() as stop, Progress(console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("messages", total=None)
        replay.run(_lines(files), stop, lambda count: bar.advance(task, count))
    say(f"{replay.sent_count} messages published, {replay.bad_count} bad lines left out")


def _lines(files: list[Path]) -> Iterator[Message | BadLine]:
    for path in files:
        yield from read_recording(path)
