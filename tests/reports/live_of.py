"""A live look at an invented fleet in a store of its own, and the page before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import insert
from starlette.testclient import TestClient

from fleet.clock import now_s
from fleet.jobs.deployment import Deployment
from fleet.settings import Settings
from fleet.store.engine import Store, open_store
from fleet.store.results import plain, rows_of
from fleet.store.tables import LATEST, NODES, SET_ASIDE
from reports.found import Found
from reports.live import LiveModel, LiveReader, read_now
from reports.serve import build_app
from reports.serve_access import Access, Token
from tests.reports.conftest import build
from tests.reports.fleet_of import AS_OF_AT

HOST = "127.0.0.1:8737"
BASE = f"http://{HOST}"
HOSTILE = "<script>alert(1)</script>[/b]\u202e"


class FoundReader(LiveReader):
    """A look at frames instead of findings in the store; all else is read from the store."""

    def __init__(self, store: Store, found: Found, settings: Settings) -> None:
        super().__init__(store, settings)
        deployment = Deployment(found.nodes, {}, {}, found.events)
        report = build(found)
        self.model = LiveModel(
            report, read_now(store), "mark-1", AS_OF_AT.timestamp(), now_s() - 60, deployment, (HOSTILE,)
        )

    def look(self) -> LiveModel:
        return self.model


@dataclass(frozen=True)
class Page:
    """A client before the page, and what is behind it."""

    client: TestClient
    reader: FoundReader


def store_with(found: Found, folder: Path) -> Store:
    """A store that knows the nodes of these frames, each heard once, and one payload set aside."""
    store = open_store(f"sqlite:///{folder / 'live.sqlite'}")
    columns = [column.name for column in NODES.columns if column.name in found.nodes]
    with store.write() as conn:
        for row in rows_of(found.nodes):
            conn.execute(insert(NODES).values({name: plain(row[name]) for name in columns}))
            heard = {"node_id": int(row["node_id"]), "last_heard": now_s() - 90.0, "cause": 1, "batt_mv": 2900.0}
            conn.execute(insert(LATEST).values(heard))
        aside = {"arrived": now_s(), "topic": HOSTILE, "raw": b"\xff<b>", "reason": "not_json", "detail": HOSTILE}
        conn.execute(insert(SET_ASIDE).values(aside))
    return store


def page_of(found: Found, folder: Path, *, tokens: Sequence[Token] = (), look_only: bool = False) -> Page:
    """The page of these frames; requests come as from a browser on the same machine."""
    store = store_with(found, folder)
    reader = FoundReader(store, found, Settings(database=f"sqlite:///{folder / 'live.sqlite'}", folder=str(folder)))
    access = Access("anna", frozenset({"127.0.0.1"}), tuple(tokens), None, look_only)
    return Page(TestClient(build_app(reader, access), base_url=BASE, follow_redirects=False), reader)
