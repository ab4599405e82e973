"""How steps are run. Never imports fleet: a step must mean the same for ever.

As shipped, steps on SQLite are not safe: a kill midway leaves half of one. The driver's own implicit commits are the
cause; so nothing but our BEGIN IMMEDIATE opens a transaction, and the DDL counts as part of it.
"""

from __future__ import annotations

from alembic import context
from sqlalchemy import Connection, create_engine, event
from sqlalchemy.pool import NullPool


def run(connection: Connection) -> None:
    """All steps on one connection, in its transaction."""
    context.configure(connection=connection, transactional_ddl=True, transaction_per_migration=False)
    with context.begin_transaction():
        context.run_migrations()


def run_by_url(url: str) -> None:
    """For the `alembic` command: `alembic -x url=sqlite:///FILE upgrade head`."""
    engine = create_engine(url, poolclass=NullPool)
    if engine.dialect.name == "sqlite":

        @event.listens_for(engine, "connect")
        def no_implicit_commit(connection, _record):  # type: ignore[no-untyped-def]  # sqlite3 or psycopg
            connection.isolation_level = None
            connection.execute("PRAGMA synchronous=FULL")

        @event.listens_for(engine, "begin")
        def lock_at_once(connection: Connection) -> None:
            connection.exec_driver_sql("BEGIN IMMEDIATE")

    with engine.begin() as connection:
        run(connection)


if context.is_offline_mode():
    raise SystemExit("steps run on a database only; --sql is not offered")
given = context.config.attributes.get("connection")
if given is not None:
    run(given)
else:
    run_by_url(context.get_x_argument(as_dictionary=True)["url"])
