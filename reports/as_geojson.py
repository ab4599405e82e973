"""Sites as GeoJSON (RFC 7946): one point a site, longitude before latitude, WGS 84."""

from __future__ import annotations

import json
from typing import Any

from reports.model import NodeLine, ReportModel, SiteLine

PLACES = 6
"""Six decimals are a tenth of a metre; RFC 7946 §11.2 advises against more."""


def as_geojson(model: ReportModel) -> str:
    """A FeatureCollection; a site none of whose nodes has a position has no geometry."""
    by_site: dict[str, list[NodeLine]] = {}
    for line in model.nodes:
        by_site.setdefault(line.site, []).append(line)
    features = [_feature(site, by_site.get(site.site, [])) for site in sorted(model.sites, key=lambda s: s.site)]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1) + "\n"


def _feature(site: SiteLine, lines: list[NodeLine]) -> dict[str, Any]:
    here = [
        (line.longitude, line.latitude) for line in lines if line.longitude is not None and line.latitude is not None
    ]
    middle = [round(sum(values) / len(here), PLACES) for values in zip(*here, strict=True)] if here else None
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": middle} if middle else None,
        "properties": {
            "site": site.site,
            "nodes": site.node_count,
            **site.by_state,
            "next_visit": site.next_visit.day,
            "next_visit_planned": site.next_visit.planned,
            "all_last": site.all_last_next,
            "flat_expected": site.flat_expected,
            "cells": site.bring,
        },
    }
