"""Rows of a database into a frame with the dtypes that the stages expect."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from fleet.frames import Columns


def typed_frame(rows: Sequence[Sequence[Any]], columns: Columns) -> pd.DataFrame:
    """A frame of rows in the order of `columns`. No text is "", no number NaN (-1 where whole), no object {}.

    >>> typed_frame([(1, None, None)], {"node_id": "int32", "at": "float64", "note": "str"}).to_dict("list")
    {'node_id': [1], 'at': [nan], 'note': ['']}
    """
    by_column = list(zip(*rows, strict=True)) if rows else [()] * len(columns)
    return pd.DataFrame(
        {name: _typed(values, dtype) for (name, dtype), values in zip(columns.items(), by_column, strict=True)}
    )


def frame_of_mappings(rows: Iterable[Mapping[str, Any]], columns: Columns) -> pd.DataFrame:
    """The same from mappings; a key that is missing is not known."""
    return typed_frame([tuple(row.get(name) for name in columns) for row in rows], columns)


def _typed(values: Sequence[Any], dtype: str) -> Any:
    if dtype == "str":
        return pd.Series(["" if value is None else value for value in values], dtype=object)
    if dtype == "object":
        return pd.Series([{} if value is None else value for value in values], dtype=object)
    if dtype == "bool":
        return np.array([bool(value) for value in values], dtype=bool)
    missing = -1 if dtype.startswith("int") else np.nan
    return np.array([missing if value is None else value for value in values], dtype=dtype)
