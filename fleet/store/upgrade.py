"""Bringing a database's tables to the version of this program, all or nothing."""

from __future__ import annotations

import io
import sqlite3
from contextlib import closing
from importlib.resources import as_file, files
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy.exc import DBAPIError

from fleet.errors import StoreError
from fleet.store.engine import HEAD, Store, database_version, open_store

STEPS = "migrations"


def upgrade_store(store: Store | str, to: str = HEAD) -> None:
    """Run every step that the database has not had, in one transaction: killed midway, it is as before.

    By URL, a SQLite file that is of another version is first copied beside itself.

    Raises
    ------
    StoreError
        If a step can't be made.
    """
    if isinstance(store, str):
        with open_store(store, check_version=False) as opened:
            _keep_copy(opened, to)
            upgrade_store(opened, to)
        return
    with as_file(files(STEPS)) as folder, store.write() as conn:
        config = _config(str(folder))
        config.attributes["connection"] = conn
        try:
            command.upgrade(config, to)
        except (CommandError, DBAPIError) as why:
            cause = str(why).splitlines()[0]
            raise StoreError(f"{store.url}: not upgraded to {to}: {cause}. The database is as it was.") from why


def _keep_copy(store: Store, to: str) -> None:
    """A copy of an older database, `FILE.VERSION`, by SQLite's own back-up: whole, whoever writes meanwhile."""
    found = database_version(store)
    if store.file is None or found in (None, to):
        return
    copy = store.file.with_name(f"{store.file.name}.{found}")
    with store.hold() as conn, closing(sqlite3.connect(copy)) as beside:
        raw: Any = conn.connection.dbapi_connection
        raw.backup(beside)


def newest_step() -> str:
    """Name of the last step in the `migrations` package."""
    with as_file(files(STEPS)) as folder:
        return str(ScriptDirectory.from_config(_config(str(folder))).get_current_head())


def _config(folder: str) -> Config:
    config = Config(stdout=io.StringIO())
    config.set_main_option("script_location", folder.replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
