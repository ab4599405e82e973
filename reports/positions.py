"""Where nodes stand, as far as a report that goes outside may say it; and lines drawn behind them on the map."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

BLUR_DEG: Final = 0.1
"""Blurred positions are middles of a fixed grid of this many degrees, about 11 km from south to north.

A fixed grid says the same each week; a random shift would average out over many reports.
"""
BACKGROUND_FILE: Final = "background.geojson"
POINTS: Final = 6000
"""Lines with more points together are thinned, so that the map stays light."""
PLACES: Final = 5
Line = list[tuple[float, float]]


def shown_positions(nodes: pd.DataFrame, how: str) -> pd.DataFrame:
    """Nodes with positions as they are ("exact"), on a coarse grid ("blurred") or without ("none").

    >>> shown_positions(pd.DataFrame({"latitude": [54.03], "longitude": [-8.66]}), "blurred").round(2)
       latitude  longitude
    0     54.05      -8.65
    """
    if how == "exact":
        return nodes
    made = nodes.copy()
    for name in ("latitude", "longitude"):
        exact = made[name].to_numpy(float)
        made[name] = (np.floor(exact / BLUR_DEG) + 0.5) * BLUR_DEG if how == "blurred" else np.nan
    return made


def read_background(folder: Path) -> tuple[list[Line], str]:
    """Lines of the set-up folder's `background.geojson` and, if they can't be used, why not; a report goes on.

    Lines, the edges of areas and collections of them are taken (RFC 7946 §3.1); points and properties are left out.
    """
    file = folder / BACKGROUND_FILE
    if not file.exists():
        return [], ""
    try:
        lines = [line for line in _lines(json.loads(file.read_text(encoding="utf-8"))) if len(line) > 1]
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as why:
        return [], f"{BACKGROUND_FILE}: not lines in GeoJSON ({type(why).__name__})"
    if not lines:
        return [], f"{BACKGROUND_FILE}: holds no line"
    return _thinned(lines), ""


def _lines(found: Any) -> Iterator[Line]:
    kind = found["type"]
    if kind == "FeatureCollection":
        for feature in found["features"]:
            yield from _lines(feature)
    elif kind == "Feature":
        if found["geometry"] is not None:
            yield from _lines(found["geometry"])
    elif kind == "GeometryCollection":
        for geometry in found["geometries"]:
            yield from _lines(geometry)
    elif kind == "LineString":
        yield _points(found["coordinates"])
    elif kind in ("MultiLineString", "Polygon"):
        yield from (_points(part) for part in found["coordinates"])
    elif kind == "MultiPolygon":
        yield from (_points(ring) for area in found["coordinates"] for ring in area)


def _points(coordinates: Any) -> Line:
    points = [(round(float(at[0]), PLACES), round(float(at[1]), PLACES)) for at in coordinates]
    if not all(abs(longitude) <= 180 and abs(latitude) <= 90 for longitude, latitude in points):
        raise ValueError("longitude, then latitude, in degrees")
    return points


def _thinned(lines: list[Line]) -> list[Line]:
    step = -(-sum(len(line) for line in lines) // POINTS)
    return [line if step == 1 else [*line[:-1:step], line[-1]] for line in lines]
