"""Tables of what is no response: fields, strips, the check of a header, diameters.

Everything that reads, writes, checks or explains a table takes its columns from its record, these
or those of the responses.
"""

from __future__ import annotations

from trialkit.responses.columns import (
    NOTE,
    Column,
    Rows,
    Table,
    in_all_or_none,
    initials,
    key,
    measure,
)
from trialkit.responses.fate import ALIASES, FATES


def _check_strips(table: Rows) -> None:
    # Main strips are told apart only where every strip names its own: without one of them the
    # setup of all would be judged by the spread between strips, which is too small.
    in_all_or_none(table, "main_strip")



FIELDS = Table(
    "fields",
    "one row per field",
    (
        key("field", "name of the field"),
        Column("grower", "text", "free text"),
        Column("hybrid", "text", "free text"),
        measure("row_spacing", "m", "in", 0.2, 2.0, "distance between rows"),
        measure("population", "plants/ha", "plants/ac", 1e3, 250e3, "plants at harvest"),
        measure("latitude", "deg", "deg", -90, 90, "decimal degrees, south negative"),
        measure("longitude", "deg", "deg", -180, 180, "decimal degrees, west negative"),
    ),
    key=("field",),
    rank=10,
)  # fmt: skip
STRIPS = Table(
    "strips",
    "one row per combine pass",
    (
        key("strip", "name of the strip, unique over the trial"),
        key("field", "field it lies in"),
        key("pair", "pair or block it belongs to, within the field"),
        Column("main_strip", "text", "main strip of a hard-to-change factor, within the pair"),
        Column("header", "text", "header it was run with, as in header_check; may be left out"),
        measure("gap_front", "mm", "in", 5, 150, "stripper-plate gap at the front"),
        measure("gap_rear", "mm", "in", 5, 150, "stripper-plate gap at the rear"),
        measure("speed_set", "km/h", "mph", 0.5, 25, "ground speed asked for"),
        measure("speed_measured", "km/h", "mph", 0.5, 25, "ground speed measured",
                also=("speed actual",)),
        measure("roll_rpm", "1/min", "1/min", 50, 3000, "stalk-roll speed"),
        measure("moisture", "%", "%", 5, 60, "grain moisture at harvest, wet basis",
                also=("moist", "grain moisture")),
        measure("test_weight", "kg/hL", "lb/bu", 30, 100, "test weight", also=("tw", "test wt")),
        # A strip worth a combine's pass yields more than 300 kg/ha (5 bu/ac; common practice);
        # less is tonnes under kg/ha, or a decimal comma that became a point.
        measure("yield", "kg/ha", "bu/ac", 300, 45e3, "yield at base moisture"),
        measure("discharge_width", "m", "ft", 0.3, 31,
                "width the residue fell on behind; the settings' when left out"),
        Column("harvested_at", "date", "date, or date and time, as 2026-10-03 14:30",
               also=("date", "harvest date", "date harvested")),
        Column("status", "choice", "what became of the strip: harvested (the same as blank), not "
               "harvested, damaged, or its count spoilt", levels=FATES, aliases=ALIASES,
               blank=FATES[0]),
        Column("reason", "text", "why it was not harvested, damaged or its count spoilt"),
        initials("counted_by", "who counted"),
        initials("written_by", "who wrote the card"),
        initials("key_held_by", "who held the key"),
        NOTE,
    ),
    key=("strip",),
    rank=20,
    check=_check_strips,
)  # fmt: skip
HEADER_CHECK = Table(
    "header_check",
    "one row per row unit of one header",
    (
        key("header", "name of the header"),
        key("row", "row unit, counted from the left in the direction of travel"),
        measure("gap_front", "mm", "in", 0, 150, "gap between the plates' edges at the front"),
        measure("gap_middle", "mm", "in", 0, 150, "... halfway, where someone takes it"),
        measure("gap_rear", "mm", "in", 0, 150, "gap between the plates' edges at the rear"),
        *(
            measure(f"plate_{side}_{end}", "mm", "in", 0, 100,
                    f"row's centre (roll nip) to the {side} plate's edge, {end}")
            for side in ("left", "right") for end in ("front", "rear")
        ),
        measure("set_front", "mm", "in", 5, 150, "front gap it was set to when measured"),
        measure("set_rear", "mm", "in", 5, 150, "rear gap it was set to when measured"),
        *(
            measure(f"roll_{side}_wear_length", "mm", "in", 0, 1500,
                    f"length of the worn taper at the front of the {side} roll")
            for side in ("left", "right")
        ),
        *(
            measure(f"roll_{side}_flute", "mm", "in", 0, 60,
                    f"height of flute or knife left at the front of the {side} roll")
            for side in ("left", "right")
        ),
        *(
            measure(f"clearance_{k}", "mm", "in", 10, 500, f"guide clearance, station {k}")
            for k in range(1, 6)
        ),
        measure("roll_clearance", "mm", "in", 0, 100, "between the rolls or their knives"),
        measure("plate_edge_wear", "mm", "in", 0, 50,
                "how far the plates' edges are rounded or grooved back, at the worst place"),
        measure("chain_slack", "mm", "in", 0, 200,
                "how far the chain can be moved by hand, halfway"),
        measure("chain_stretch", "%", "%", 0, 20, "chain longer than new, over ten links"),
        Column("flaps", "level", "ear-saver flaps: sound, torn or missing",
               levels=("sound", "torn", "missing")),
        initials("measured_by", "who measured"),
        Column("measured_at", "date", "date of measuring", also=("date",)),
    ),
    key=("header", "row"),
    rank=80,
    laid_out=True,
)  # fmt: skip
STALKS = Table(
    "stalks",
    "one row per stalk measured",
    (
        key("field", "field it stood in"),
        measure("diameter", "mm", "in", 3, 80, "diameter at gap height", required=True),
    ),
    rank=90,
    of_a_field=True,
)  # fmt: skip
EAR_BUTTS = Table(
    "ear_butts",
    "one row per ear measured across its butt",
    (
        key("field", "field it grew in"),
        measure("diameter", "mm", "in", 10, 90,
                "widest across the kernels within 1 in (25 mm) of the butt's end, husk off",
                required=True),
    ),
    rank=95,
    of_a_field=True,
)  # fmt: skip
