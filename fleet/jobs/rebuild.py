"""Every day row made again from the records, archived ones too."""

from __future__ import annotations

from fleet.store.days import mark_all_dirty, roll_up_dirty
from fleet.store.engine import Store


def rebuild(store: Store) -> int:
    """Number of day rows written."""
    mark_all_dirty(store)
    return roll_up_dirty(store)
