"""Rows of a frame as dicts, and frames cut by node."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, cast

import pandas as pd


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Each row as a dict by column name."""
    return cast(list[dict[str, Any]], frame.to_dict("records"))


def parts_by_node(frame: pd.DataFrame) -> Iterator[tuple[int, pd.DataFrame]]:
    """The rows of each node; nothing for an empty frame."""
    if len(frame):
        for node_id, part in frame.groupby("node_id"):
            yield int(cast(int, node_id)), part
