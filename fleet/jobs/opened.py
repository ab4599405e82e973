"""What most commands open first: settings, and the store they name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fleet.settings import Settings, load_settings

if TYPE_CHECKING:
    from fleet.jobs.deployment import Deployment
    from fleet.store.engine import Store


def opened(*, readonly: bool = True) -> tuple[Settings, Store]:
    """Settings and the store.

    Raises
    ------
    SetupError
        If the settings are wrong.
    StoreError
        If there is no database yet, or it can't be opened.
    """
    from fleet.store.engine import open_store

    settings = load_settings()
    store = open_store(settings.database_url, readonly=readonly)
    follow_played(settings, store)
    return settings, store


def follow_played(settings: Settings, store: Store) -> None:
    """In a played deployment the present is the arrival of the newest record; elsewhere nothing changes."""
    if settings.played:
        from fleet.clock import play_at
        from fleet.store.latest import read_latest

        heard = read_latest(store)["last_heard"]
        if len(heard):
            play_at(float(heard.max()))


def deployment_of(settings: Settings, store: Store) -> Deployment:
    """Profiles from the set-up folder, nodes and events from the store."""
    from fleet.jobs.nightly import read_deployment

    return read_deployment(store, settings.setup_dir)
