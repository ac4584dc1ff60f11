"""A response in one file: the share of the ears behind the header that still wear their husk."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from trialkit.responses.columns import STRIP, Rows, Sheet, Table, count, key, part_of
from trialkit.responses.drawing import Drawing, Drawn, sample_rows, true_of_drawn
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.words.terms import amount

NAME = "husked_ears"


def _check(table: Rows) -> None:
    part_of(table, "in_husk", "ears_seen")


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    return sample_rows(strips, int(effort.times("husks")))


def _draw(d: Drawing) -> pd.DataFrame:
    rows = _rows(d.names, d.effort)
    if rows.empty:
        return rows
    found = d.of_response(NAME, "binomial", "sample", rows)
    return rows.assign(ears_seen=d.truth.others[NAME].size, in_husk=found)


HUSKS = Table(
    "husks",
    "one row per group of ears taken from the header's auger",
    (
        STRIP,
        key("sample", "number of the group, unique within the strip"),
        count("ears_seen", 1e4, "ears looked at", low=1, required=True),
        count("in_husk", 1e4, "of these, still in their husk", required=True),
    ),
    key=("strip", "sample"),
    check=_check,
    sheet=Sheet(
        "sheets of ears", "groups of ears in husk", "sample", _rows, ((210, _draw),),
        heading="ears in husk", taken="At the stop, key held: fifty ears as they lie.",
    ),
)

RECORD = Response(
    NAME, "Ears in husk", 210, HUSKS, "in_husk", "binomial", fixed(100.0, "%"), "sample",
    "ear in husk", "ears in husk among those seen: binomial with logit link",
    {"en": amount("took in", "ears in husk", "ears taken in with their husk")},
    true_of_drawn(NAME, "binomial", 100.0, "percent"),
    size="ears_seen", near=2.0, shown="line", short="ears in husk",
    unlocked=(Unlocked("ears in husk"),),
    outlook=Drawn(0.2, sd={"pair": 0.1, "strip": 0.1, "sample": 0.1}, size=50.0),
)  # fmt: skip

DRAWN = Drawn(0.3, {"cushion": {"cushion": 0.5}}, {"pair": 0.1, "strip": 0.1}, 50.0)
