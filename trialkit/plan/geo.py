"""Passes as GeoJSON (RFC 7946): polygons in longitude and latitude, WGS 84."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.plan.ground import Ground

_A, _F = 6_378_137.0, 1 / 298.257223563  # WGS 84
_E2 = _F * (2 - _F)
Corner = tuple[float, float]


def feature_collection(
    grounds: Sequence[Ground], passes: pd.DataFrame, strips: pd.DataFrame, factors: Sequence[str],
    corner: Corner | Mapping[str, Corner], heading: float | Mapping[str, float],
) -> dict[str, Any]:  # fmt: skip
    """See `Plan.geojson`."""
    features = []
    strips = strips.set_index("strip")
    for ground in grounds:
        at = _own(corner, ground.field, "corner")
        course = float(_own(heading, ground.field, "heading"))
        if not (len(at) == 2 and abs(at[0]) <= 85 and abs(at[1]) <= 180):
            raise DesignError(
                f"Field {ground.field}: the corner is {at!r}; give latitude (-85 to 85) and "
                "longitude (-180 to 180), in degrees."
            )
        if not np.isfinite(course):
            raise DesignError(f"Field {ground.field}: the heading is {course!r}, not degrees.")
        own = passes[passes["field"] == ground.field]
        for row in own.to_dict("records"):
            low, high = ground.headland, ground.length - ground.headland
            ring = [(row["left"], low), (row["right"], low), (row["right"], high),
                    (row["left"], high), (row["left"], low)]  # fmt: skip
            properties = {"field": ground.field, "kind": row["kind"]}
            if row["strip"]:
                strip = strips.loc[row["strip"]]
                properties |= {"strip": row["strip"]}
                properties |= {n: strip[n] for n in ("pair", "setup", "direction")}
                properties |= {name: strip[name] for name in factors}
            place = [_place(at, course, x, y) for x, y in ring]
            features.append(
                {"type": "Feature", "properties": properties,
                 "geometry": {"type": "Polygon", "coordinates": [place]}}
            )  # fmt: skip
    return {"type": "FeatureCollection", "features": features}


def _own(value: Any, field: str, what: str) -> Any:
    if not isinstance(value, Mapping):
        return value
    if field not in value:
        raise DesignError(f"No {what} is given for field {field}.")
    return value[field]


def _place(corner: Corner, heading: float, x: float, y: float) -> list[float]:
    """Longitude and latitude `x` m to the right and `y` m ahead of the corner.

    On the plane that touches the ellipsoid at the corner, with its two radii of curvature there.
    """
    turn, latitude = np.radians(heading), np.radians(corner[0])
    east = x * np.cos(turn) + y * np.sin(turn)
    north = -x * np.sin(turn) + y * np.cos(turn)
    flat = 1 - _E2 * np.sin(latitude) ** 2
    meridian, prime = _A * (1 - _E2) / flat**1.5, _A / np.sqrt(flat)
    lon = corner[1] + np.degrees(east / (prime * np.cos(latitude)))
    lat = corner[0] + np.degrees(north / meridian)
    return [round(float((lon + 180) % 360 - 180), 9), round(float(lat), 9)]
