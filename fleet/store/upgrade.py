"""Bringing a database's tables to the version of this program, all or nothing."""

from __future__ import annotations

import io
from importlib.resources import as_file, files

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy.exc import DBAPIError

from fleet.errors import StoreError
from fleet.store.engine import HEAD, Store

STEPS = "migrations"


def upgrade_store(store: Store, to: str = HEAD) -> None:
    """Run every step that the database has not had, in one transaction: killed midway, it is as before.

    Raises
    ------
    StoreError
        If a step can't be made.
    """
    with as_file(files(STEPS)) as folder, store.write() as conn:
        config = _config(str(folder))
        config.attributes["connection"] = conn
        try:
            command.upgrade(config, to)
        except (CommandError, DBAPIError) as why:
            cause = str(why).splitlines()[0]
            raise StoreError(f"{store.url}: not upgraded to {to}: {cause}. The database is as it was.") from why


def newest_step() -> str:
    """Name of the last step in the `migrations` package."""
    with as_file(files(STEPS)) as folder:
        return str(ScriptDirectory.from_config(_config(str(folder))).get_current_head())


def _config(folder: str) -> Config:
    config = Config(stdout=io.StringIO())
    config.set_main_option("script_location", folder.replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
