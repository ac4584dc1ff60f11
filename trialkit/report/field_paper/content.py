"""Everything the template of field paper reads: plain values, no computing left to do."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit import plots, schema
from trialkit.header.words import CAUTION
from trialkit.plots.row_unit import DRAWINGS
from trialkit.report.field_day import CAUTIONS, DEFER
from trialkit.report.field_paper import lengths, words
from trialkit.report.field_paper.boxes import (
    HEADER_SIDES,
    PLACE,
    card_boxes,
    header_boxes,
    run_boxes,
)
from trialkit.report.field_paper.labels import code
from trialkit.report.field_paper.pictures import maps, picture
from trialkit.report.field_paper.source import FieldTrial, zone_order

STOP = (
    f"{CAUTIONS[1]} Header disengaged and lowered to the ground or locked, engine off, brake set, "
    "all movement stopped, key out and with the counter: then step down."
)
SAMPLES = {"grain": "grain samples", "ear_butt_damage": "ears collected at the header",
           "residue": "residue readings"}  # fmt: skip
MOST_ROWS = 10  # row units on one sheet of the header check
IN_A_FIELD = 30  # boxes for stalks and for ear butts of one field
HANDS = (
    "Header lowered to the ground, or raised with its lift locked. Rolls and knives cut, worn ones "
    "too: gloves for it, and never a hand between rolls or chains that could turn."
)
DIRECTIONS = {"up": "near end to far end", "down": "far end to near end"}


class Files(dict[str, bytes]):
    """Pictures by file name, each kept once."""

    def keep(self, name: str, data: bytes | None) -> str:
        """The name under which the template finds it; empty for none."""
        if data is None:
            return ""
        self[name] = data
        return name


def content(
    trial: FieldTrial, sheets: Sequence[str], paper: str, blind: bool
) -> tuple[dict[str, Any], Files]:
    """Data of the sheets asked for, and the pictures they show."""
    files = Files()
    zones = picture(plots.count_zones(trial.config.units, rows=trial.config.header.rows))
    title = f"{trial.config.title} ({trial.config.season})"
    data: dict[str, Any] = {
        "name": f"Field paper: {title}",
        "title": textwrap.shorten(title, 90, placeholder="…"),
        "paper": paper,
        "blind": blind,
        "timed": trial.plan is not None,
        "cautions": list(CAUTIONS),
        "defer": DEFER,
        "stop": STOP,
        "zones": {"file": files.keep("zones.svg", zones.svg), "alt": zones.alt},
        "run": {"band": _band(blind)},
    }
    parts: list[str] = []
    if "crew" in sheets:
        data["crew"] = _crew(trial, blind)
        parts.append("crew")
    if "cards" in sheets:
        data["cards"] = [
            _card(trial, strip, n, blind, files)
            for n, strip in enumerate(map(str, trial.strips["strip"]), start=1)
        ]
        parts.append("cards")
    if "run" in sheets:
        data["run"] |= _run(trial, blind)
        parts.append("run")
    if "map" in sheets and trial.plan is not None:
        data["maps"] = [
            {"field": field, "file": files.keep(f"map-{n}.svg", drawn.svg), "alt": drawn.alt,
             "words": drawn.summary}
            for n, (field, drawn) in enumerate(maps(trial).items(), start=1)
        ]  # fmt: skip
        parts.append("map")
    if "header" in sheets:
        data |= _header(trial, files)
        parts.append("header")
    data["sheets"] = parts
    return data, files


def _band(blind: bool) -> str:
    told = "For the operator alone: tells the setups."
    return f"{told} Whoever counts does not see it." if blind else "For the operator: the setups."


def _crew(trial: FieldTrial, blind: bool) -> dict[str, Any]:
    steps = words.order_rows(trial, blind)
    note = (
        "What is to be counted was not planned; the usual frames, ear searches and samples are "
        "printed."
        if trial.counted_from == "usual"
        else ""
    )
    heading = "Strips, as the table has them" if trial.plan is None else "Order of work"
    return {
        "heading": heading, "roles": words.ROLES,
        "rules": words.counting_rules(trial, blind),
        "sources": words.SOURCES, "order": steps, "time": words.time_words(trial),
        "places": _places(trial), "note": note,
    }  # fmt: skip


def _places(trial: FieldTrial) -> list[str]:
    """Fields and where they are, as far as is known."""
    out = []
    known = trial.fields.set_index(trial.fields["field"].astype(str))
    for field in dict.fromkeys(map(str, trial.strips["field"])):
        if field in known.index and known.loc[field, ["latitude", "longitude"]].notna().all():
            latitude, longitude = known.loc[field, ["latitude", "longitude"]].astype(float)
            field += f" at {latitude:.5f}, {longitude:.5f}"
        out.append(field)
    return out if any(" at " in place for place in out) else []


def _card(
    trial: FieldTrial, strip: str, number: int, blind: bool, files: Files
) -> dict[str, Any]:  # fmt: skip
    own = trial.strips[trial.strips["strip"].astype(str) == strip].iloc[0]
    plan = trial.planned(strip)
    tables = card_boxes(trial, strip, blind)
    place = [f"field {own['field']}", f"pair {own['pair']}"]
    if pd.notna(own["main_strip"]):
        place.append(f"main_strip {own['main_strip']}")
    many = len(trial.strips)
    drive = []
    if plan:
        place.append(f"run {number} of {many}")
        way = str(plan["direction"])
        drive = [
            f"Drive {way}, {DIRECTIONS.get(way, way)}",
            f"Count rows {plan['count_rows']} (1 is the left row in the direction of travel)",
        ]
    readings = tables["strips"].without(*PLACE, *(f.name for f in trial.config.setups))
    frames = tables["frames"].without("strip")
    zones = _zones(trial, strip, tables["frames"].headers, frames.rows)
    if any(zone["width"] for zone in zones):  # at zone 3 instead
        readings = readings.without("discharge_width")
    return {
        "strip": strip, "short": textwrap.shorten(strip, 60, placeholder="…"),
        "place": ", ".join(place), "drive": drive,
        "setup": words.setup_words(trial, strip),
        "code": files.keep(f"code-{number}.svg", code(strip)),
        "zones": zones,
        "ears": tables["ears"].without("strip").as_data(),
        "readings": [[head, value] for head, value in
                     zip(readings.headers, readings.rows[0], strict=True)],
        "samples": [
            {"name": name, "words": words.TAKEN[table],
             **tables[table].without("strip").as_data()}
            for table, name in SAMPLES.items() if tables[table].rows
        ],
        **_aids(trial, strip, str(own["field"])),
    }  # fmt: skip


def _zones(
    trial: FieldTrial, strip: str, headers: Sequence[str], rows: Sequence[Sequence[str | None]]
) -> list[dict[str, Any]]:
    """Frames by zone; an area all frames of a zone share stands in the zone's heading."""
    out = []
    unit = trial.config.units
    width = schema.table("strips").column("discharge_width").header(unit)
    area_column = schema.table("frames").column("area").header(unit)
    own = trial.counted["frames"]
    own = own[own["strip"].astype(str) == strip]
    for zone in zone_order(own):
        mine = [row for row in rows if row[1] == zone]
        areas = {row[2] for row in mine}
        shared = areas.pop() if len(areas) == 1 else None
        behind = zone == "total"
        cobs = schema.column_names("frames").index("kernels_on_cobs")
        out.append({
            "name": zone, "words": words.ZONE_WORDS[zone],
            "area": f"{area_column}: {shared}" if shared else area_column,
            "headers": [headers[0], *(h for i, h in enumerate(headers) if i > 3
                                      and (behind or i != cobs))],
            "width": width if behind else "", "fell": words.IN_WINDROW,
            "frames": [{"frame": row[0] or "", "area": "" if shared else row[2] or ""}
                       for row in mine],
        })  # fmt: skip
    return out


def _aids(trial: FieldTrial, strip: str, field: str) -> dict[str, Any]:
    """Row lengths and what kernels amount to, for the frames of this strip."""
    config = trial.config
    frames, ears = (trial.counted[name] for name in ("frames", "ears"))
    mine = frames.loc[frames["strip"].astype(str) == strip, "area"].dropna().astype(float)
    areas = sorted(set(np.round(mine, 6))) or [lengths.USUAL_FRAME[config.units]]
    searched = ears.loc[ears["strip"].astype(str) == strip, "area"].dropna().astype(float)
    known = trial.spacings().get(field)
    rows = trial.rows(strip)
    search = float(searched.iloc[0]) if len(searched) else 0.0

    def along(spacing: float) -> list[lengths.Length]:
        lines = [lengths.row_lengths(spacing, a, rows, config.units, search) for a in areas[:3]]
        return [*(each[0] for each in lines), *lines[0][1:]]

    if known:
        title = f"Length along the rows, {lengths.spacing_words(known, config.units)} apart"
        headers = ["area", "along one row", f"along {rows} rows"]
        table = [list(line) for line in along(known)]
    else:  # for whoever measures it: a line for every usual spacing
        title = "Length along one row (the field's row spacing is not stated)"
        usual = lengths.usual_spacings(config.units)
        headers = ["rows apart", *(line.what for line in along(usual[0]))]
        table = [[lengths.spacing_words(each, config.units), *(line.one for line in along(each))]
                 for each in usual]  # fmt: skip
    mass = config.thousand_kernel_mass
    units_of = ["bu/ac", "kg/ha"] if config.units == "US" else ["kg/ha", "bu/ac"]
    worth = {
        "headers": ["kernels", *units_of],
        "rows": [list(row) for row in lengths.worth_table(areas[0], mass, config.units)],
        "words": " ".join(
            lengths.worth_words(areas[0], mass, config.units, config.kernel_mass_stated)
        ),
    }
    return {"lengths": {"title": title, "headers": headers, "rows": table}, "worth": worth}


def _run(trial: FieldTrial, blind: bool) -> dict[str, Any]:
    """The operator's sheet: setups in the order of work, cab readings where cards are blind."""
    table = run_boxes(trial, blind)
    names = [f.name for f in trial.config.setups]
    cells = table.without(*PLACE, *names)
    by_strip = dict(zip(map(str, trial.strips["strip"]), cells.rows, strict=True))
    rows = [
        step if step["change"] else {**step, "cells": list(by_strip[step["strip"]])}
        for step in words.order_rows(trial, blind=False)
    ]
    said = [words.time_words(trial), *_changed(trial)]
    said.append(
        "What may tell the setup is written here, from the cab and from the header."
        if blind
        else "Readings from the cab and the header are written on the back of each count card."
    )
    said.append(
        "A gap is measured at the plates, between them: engine off, key out, header down or locked."
    )
    return {"headers": list(cells.headers), "rows": rows, "words": " ".join(filter(None, said))}


def _changed(trial: FieldTrial) -> list[str]:
    """Strips whose setup is no longer the one that was planned."""
    if trial.plan is None:
        return []
    names = [f.name for f in trial.config.setups if f.name in trial.plan.strips]
    planned = trial.plan.strips.set_index(trial.plan.strips["strip"].astype(str))
    out = []
    for row in trial.strips.to_dict("records"):
        strip = str(row["strip"])
        if strip not in planned.index:
            out.append(f"{strip} (not in the plan)")
        elif any(str(row[n]) != str(planned.loc[strip, n]) for n in names):
            out.append(strip)
    if not out:
        return []
    return [
        "The strips table is not as it was planned, and what stands here follows the table, the "
        f"changes between strips and the map the plan: {', '.join(out)}."
    ]


# What a side of the header's sheet shows and says, beside its boxes.
_SIDES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "Plates": (
        ("row_unit", "plate_section"),
        (
            "gap_front, gap_middle, gap_rear: from edge to edge of the two stripper (deck) plates, "
            "at the plates with gauge or rule, not from the display in the cab. gap_middle where "
            "you take it.",
            "plate_...: from the row's centre, the nip of the rolls, to each plate's edge; may be "
            "left out. Left and right as seen driving.",
            "set_front, set_rear: what the gap was set to when it was measured.",
            "plate_edge_wear: how far an edge is rounded or grooved back, at the worst place.",
        ),
    ),
    "Rolls": (
        ("roll_wear", "plate_section"),
        (
            "Worn is measured by the roll itself, each roll of a pair alone.",
            "roll_..._wear_length: from the front of the flutes or knives back to where they have "
            "their full height; 0 for none.",
            "roll_..._flute: height that is left, from the body of the roll to the top of the "
            "flute or knife, at the front. The manual has the height when new.",
            "roll_clearance: between the rolls or their knives, where it is least as they stand.",
        ),
    ),
    "Guides, chains, flaps": (
        ("guides_and_chains",),
        (
            "clearance_1 to clearance_5: between facing chain guides, 1 at the front, then "
            "second, middle, fourth, and 5 at the rear.",
            "chain_slack: how far the chain can be moved by hand, halfway. How it is measured and "
            "how much is right, the manual says.",
            "chain_stretch: ten links taut against ten of a new chain; longer by so many %.",
            "flaps (ear savers): sound, torn or missing.",
            "Once for the header: fluted length of a new roll ________, its diameter between core "
            "and top of the flutes ________, height of the ears above the rolls' grip ________, "
            "speed of the rolls, from display or manual, ________ 1/min: how fast the rolls pull.",
        ),
    ),
}


def _header(trial: FieldTrial, files: Files) -> dict[str, Any]:
    drawn = {name: picture(draw()) for name, draw in DRAWINGS.items()}
    shown = {
        name: {"file": files.keep(f"{name}.svg", one.svg), "alt": one.alt}
        for name, one in drawn.items()
    }
    sheets = []
    for name, table in header_boxes(trial):
        sides = []
        for title, (pictures, said) in _SIDES.items():
            only = ("row", *HEADER_SIDES[title])
            side = table.without(*(c for c in table.columns if c not in only))
            rows = [list(row) for row in side.rows]
            size = -(-len(rows) // -(-len(rows) // MOST_ROWS))
            sides.append({
                "title": title, "pictures": [shown[p] for p in pictures], "words": list(said),
                "headers": list(side.headers),
                "parts": [rows[i : i + size] for i in range(0, len(rows), size)],
            })  # fmt: skip
        sheets.append({"name": name or None, "sides": sides})
    row = next(c.about for c in schema.table("header_check").columns if c.name == "row")
    unit = schema.table("stalks").column("diameter").unit(trial.config.units)
    return {
        "header": {
            "caution": CAUTION, "hands": HANDS, "row": f"row: {row}.",
            "lift": f"{CAUTIONS[2]} {CAUTIONS[3]} {CAUTIONS[4]}",
        },
        "headers": sheets,
        "ground": {
            "picture": shown["stalk_and_butt"],
            "words": [
                f"{IN_A_FIELD} stalks in each field, no two from one spot: across at the height of "
                "the plates, the wider way. The gap has to let them pass.",
                f"20 to {IN_A_FIELD} ears in each field, husk off: across the kernels at the butt, "
                "the widest place of its last inch (25 mm). Butts narrower than the gap reach the "
                "rolls and shell, so the gap has to hold them up.",
                "Taken in standing corn, away from the machine.",
            ],
            "fields": list(dict.fromkeys(map(str, trial.strips["field"]))),
            "tables": [{"name": name, "column": f"diameter ({unit})", "boxes": IN_A_FIELD}
                       for name in schema.OF_A_FIELD],
        },
    }  # fmt: skip
