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
    return settings, open_store(settings.database_url, readonly=readonly)


def deployment_of(settings: Settings, store: Store) -> Deployment:
    """Profiles from the set-up folder, nodes and events from the store."""
    from fleet.jobs.nightly import read_deployment

    return read_deployment(store, settings.setup_dir)
