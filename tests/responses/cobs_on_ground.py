"""A response in one file: pieces of cob on the ground behind the machine, counted by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from trialkit.responses.columns import (
    STRIP,
    ZONE,
    Rows,
    Sheet,
    Table,
    at_most_per_area,
    count,
    measure,
)
from trialkit.responses.drawing import Drawing, Drawn, search_rows, true_of_drawn
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.words.terms import amount

NAME = "cobs_on_ground"
AREA = 40.0


def _check(table: Rows) -> None:
    at_most_per_area(table, "cobs", "pieces of cob", 100.0)


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    return search_rows(strips, "total", AREA, int(effort.times("cobs")))


def _draw(d: Drawing) -> pd.DataFrame:
    rows = _rows(d.names, d.effort)
    return rows.assign(cobs=d.of_response(NAME, "poisson", "search", rows)) if len(rows) else rows


COBS = Table(
    "cobs",
    "one row per search for pieces of cob",
    (
        STRIP,
        ZONE,
        measure("area", "m2", "ft2", 1, 1000, "area searched", required=True),
        count("cobs", 1e5, "pieces of cob longer than a finger", required=True),
    ),
    check=_check,
    sheet=Sheet(
        "cob sheets", "searches for cobs", 4.0, _rows, ((200, _draw),), at_stop=True,
        printed=("strip", "zone", "area"), heading="cobs on the ground",
        taken="Behind the machine, after the frames: every piece longer than a finger.",
    ),
)

RECORD = Response(
    NAME, "Cobs on the ground", 200, COBS, "cobs", "poisson", fixed(1e4, "cobs/ha"), "search",
    "piece of cob", "counts of pieces of cob: Poisson with log link, area searched as exposure",
    {"en": amount("left", "cobs on the ground", "cobs left on the ground")},
    true_of_drawn(NAME, "poisson", 1e4, "cobs_ha"),
    size="area", zones={"total": 1.0}, shown="line", short="cobs on the ground",
    unlocked=(Unlocked("cobs on the ground"),),
    outlook=Drawn(0.5, sd={"pair": 0.1, "strip": 0.1, "search": 0.3}, size=AREA),
)  # fmt: skip

DRAWN = Drawn(0.8, {"cushion": {"cushion": 0.5}}, {"pair": 0.1, "strip": 0.1, "search": 0.2}, AREA)
