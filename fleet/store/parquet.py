"""Parquet is an extra: archives and Parquet logs need it, nothing else does."""

from __future__ import annotations

from importlib.util import find_spec

from fleet.errors import StoreError


def need_parquet(what: str) -> None:
    """Make sure that Parquet files can be read and written.

    Raises
    ------
    StoreError
        If the extra is not installed.
    """
    if find_spec("pyarrow") is None:
        raise StoreError(f"{what}: needs Parquet, which is an extra. Install it: pip install 'wakeledger[archive]'.")
