"""Strips on the ground: planter passes, rows to count, corners on a map."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from layouts import CUSHION, GAP, config, planned

from trialkit import plan as tp
from trialkit.errors import DesignError
from trialkit.plan.ground import joints, lanes


def test_lanes_of_a_planter_that_does_not_fit() -> None:
    """By hand: 8 of 12 rows with 2 left at either side; a 16-row planter holds two passes of 8."""
    places = lanes(12, 8)
    assert [next(places) for _ in range(4)] == [
        ("rows left", 1, 2), ("pass", 3, 10), ("rows left", 11, 12), ("rows left", 13, 14),
    ]  # fmt: skip
    places = lanes(16, 8)
    assert [next(places) for _ in range(3)] == [("pass", 1, 8), ("pass", 9, 16), ("pass", 17, 24)]
    assert joints(tp.Ground("N", 100.0, planter_rows=16), 24.4) == pytest.approx(
        [0, 12.192, 24.384]
    )


def test_rows_to_count_leave_out_those_beside_a_joint() -> None:
    """Two passes of 8 in a planter pass of 16, borders none: the first pass has the joint at its
    left, the second at its right; run down the field, left and right change places."""
    plan = planned(CUSHION, grounds=tp.Ground("N", 400.0, planter_rows=16), border_passes=0)
    for row in plan.strips.itertuples():
        left = (row.first_row == 1 or (row.first_row - 1) % 16 == 0) == (row.direction == "up")
        assert row.count_rows == ("2-8" if left else "1-7")
    inside = planned(CUSHION, grounds=tp.Ground("N", 400.0, planter_rows=12))
    assert set(inside.strips["count_rows"]) == {"1-8"}
    over = tp.plan_trial(config(CUSHION, rows=12), tp.Ground("N", 400.0, planter_rows=6), seed=1)
    assert set(over.strips["count_rows"]) == {"2-5, 8-11"}


def test_geojson_by_lengths_of_a_degree() -> None:
    """At 45 degrees one of latitude is 111.132 km and one of longitude 78.847 km long (WGS 84,
    table of lengths of a degree, from memory)."""
    plan = planned(CUSHION, grounds=tp.Ground("N", 1111.32), border_passes=0)
    found = plan.geojson((45.0, 10.0), 0.0)
    assert found["type"] == "FeatureCollection" and len(found["features"]) == len(plan.passes)
    ring = found["features"][0]["geometry"]["coordinates"][0]
    assert ring[0] == ring[-1] == [10.0, 45.0] and len(ring) == 5
    assert ring[2][1] - 45 == pytest.approx(0.01, rel=1e-4)
    assert ring[1][0] - 10 == pytest.approx(8 * 0.762 / 78847, rel=1e-4)
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
    assert area > 0  # counter-clockwise, as RFC 7946 wants outer rings
    # Heading east, "up" is east and the strips follow to the south.
    east = plan.geojson({"N": (45.0, 10.0)}, {"N": 90.0})["features"][0]
    turned = east["geometry"]["coordinates"][0]
    assert turned[1][1] < 45 and turned[2][0] - 10 == pytest.approx(1111.32 / 78847, rel=1e-4)
    assert east["properties"]["setup"] == plan.strips["setup"].iloc[0]
    with pytest.raises(DesignError, match="latitude"):
        plan.geojson((95.0, 10.0), 0.0)
    with pytest.raises(DesignError, match="No corner is given for field N"):
        plan.geojson({"M": (45.0, 10.0)}, 0.0)


@pytest.mark.parametrize("latitude", [-35.0, 0.0, 42.0, 60.0])
@pytest.mark.parametrize("heading", [0.0, 37.0, 270.0])
def test_geojson_against_the_ellipsoid(latitude: float, heading: float) -> None:
    """The corner's tangent plane put into earth-centred coordinates and a point's latitude and
    longitude likewise (WGS 84): within 2 km of the corner they are less than 1 m apart."""
    a, e2 = 6378137.0, 0.00669437999014

    def centred(lon: float, lat: float) -> np.ndarray:
        lon, lat = np.radians(lon), np.radians(lat)
        n = a / np.sqrt(1 - e2 * np.sin(lat) ** 2)
        return n * np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon),
                             (1 - e2) * np.sin(lat)])  # fmt: skip

    plan = planned(CUSHION, GAP, blocks=6, grounds=tp.Ground("N", 1950.0))
    found = plan.geojson((latitude, 20.0), heading)["features"]
    lat, lon, turn = np.radians(latitude), np.radians(20.0), np.radians(heading)
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    ahead = np.sin(turn) * east + np.cos(turn) * north
    right = np.cos(turn) * east - np.sin(turn) * north
    row = plan.passes.iloc[-1]
    corner = centred(20.0, latitude)
    for (x, y), place in zip(
        [(row["left"], 0), (row["right"], 0), (row["right"], 1950), (row["left"], 1950)],
        found[-1]["geometry"]["coordinates"][0], strict=False,
    ):  # fmt: skip
        truth = corner + x * right + y * ahead
        assert np.linalg.norm(truth - centred(*place)) < 1.0
