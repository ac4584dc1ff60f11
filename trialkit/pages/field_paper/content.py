"""Everything the template of field paper reads: plain values, no computing left to do."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.pages.field_paper import crew, lengths
from trialkit.pages.field_paper.boxes import (
    FATE,
    HEADER_SIDES,
    PLACE,
    WHO,
    card_boxes,
    header_boxes,
    run_boxes,
    zone_words,
)
from trialkit.pages.field_paper.labels import code
from trialkit.pages.field_paper.pictures import maps, picture
from trialkit.pages.field_paper.source import FieldTrial, zone_number, zone_order
from trialkit.plots.row_unit import DRAWINGS
from trialkit.responses import ZONES, schema
from trialkit.responses.behind_machine import BEHIND

MOST_ROWS = 10  # row units on one sheet of the header check
IN_A_FIELD = 30  # boxes for stalks and for ear butts of one field


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
    zones = picture(plots.count_zones(trial.config.units, rows=trial.config.header.rows,
                                      language=trial.language))  # fmt: skip
    title = f"{trial.config.title} ({trial.config.season})"
    data: dict[str, Any] = {
        "name": trial.say("cards.paper", title),
        "words": trial.say("cards.template"),
        "language": trial.language,
        "title": textwrap.shorten(title, 90, placeholder="…"),
        "paper": paper,
        "blind": blind,
        "timed": trial.plan is not None,
        "cautions": list(trial.say("cautions.counting")),
        "defer": trial.say("cautions.defer"),
        "stop": trial.say("safety.stop"),
        "zones": {"file": files.keep("zones.svg", zones.svg), "alt": zones.alt},
        "run": {"band": trial.say("crew.for_operator", blind)},
    }
    parts: list[str] = []
    if "crew" in sheets:
        data["crew"] = _crew(trial, blind)
        parts.append("crew")
    if "cards" in sheets:
        data["cards"] = _shaped([
            _card(trial, strip, n, blind, files)
            for n, strip in enumerate(map(str, trial.strips["strip"]), start=1)
        ])  # fmt: skip
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


def _crew(trial: FieldTrial, blind: bool) -> dict[str, Any]:
    usual = trial.counted_from == "usual"
    return {
        "heading": trial.say("crew.order_heading", trial.plan is not None),
        "roles": trial.say("crew.roles"),
        "rules": rules(trial, blind),
        "sources": trial.say("crew.sources"), "order": crew.order_rows(trial, blind),
        "time": crew.time_words(trial), "places": _places(trial),
        "note": trial.say("crew.usual_counts") if usual else "",
    }  # fmt: skip


def rules(trial: FieldTrial, blind: bool) -> list[str]:
    """How to count so that the counts can be trusted, in the words of this trial."""
    said = trial.say("crew.rules", trial.config.units, trial.back_up(), trial.minutes(),
                     zone_number(BEHIND), blind)  # fmt: skip
    return list(said)


def _places(trial: FieldTrial) -> list[str]:
    """Fields and where they are, as far as is known."""
    out, placed = [], False
    known = trial.fields.set_index(trial.fields["field"].astype(str))
    for field in dict.fromkeys(map(str, trial.strips["field"])):
        if field in known.index and known.loc[field, ["latitude", "longitude"]].notna().all():
            latitude, longitude = known.loc[field, ["latitude", "longitude"]].astype(float)
            field, placed = trial.say("cards.field_at", field, latitude, longitude), True
        out.append(field)
    return out if placed else []


def _card(
    trial: FieldTrial, strip: str, number: int, blind: bool, files: Files
) -> dict[str, Any]:  # fmt: skip
    own = trial.strips[trial.strips["strip"].astype(str) == strip].iloc[0]
    plan = trial.planned(strip)
    tables = card_boxes(trial, strip, blind)
    main = str(own["main_strip"]) if pd.notna(own["main_strip"]) else ""
    drive = []
    if plan:
        drive = [trial.say("cards.drive", str(plan["direction"])),
                 trial.say("cards.rows_to_count", str(plan["count_rows"]))]  # fmt: skip
    readings = tables["strips"].without(*PLACE, *FATE, *WHO, "note",
                                        *(f.name for f in trial.config.setups))  # fmt: skip
    frames = tables["frames"].without("strip")
    zones = _zones(trial, strip, tables["frames"].heads(trial), frames.rows)
    if any(zone["width"] for zone in zones):  # at zone 3 instead
        readings = readings.without("discharge_width")
    return {
        "strip": strip, "short": textwrap.shorten(strip, 60, placeholder="…"),
        "place": trial.say("cards.place", own["field"], own["pair"], main, number,
                           len(trial.strips) * bool(plan)),
        "drive": drive,
        "setup": crew.setup_words(trial, strip),
        "code": files.keep(f"code-{number}.svg", code(strip)),
        "zones": zones,
        "ears": tables["ears"].without("strip").as_data(trial),
        "fates": [trial.say("cards.level", fate)
                  for fate in schema.table("strips").column("status").levels],
        "readings": [[head, value] for head, value in
                     zip(readings.heads(trial), readings.rows[0], strict=True)],
        "samples": [
            dict(zip(("name", "words"), layout.sheet.on_card(trial.language), strict=True))
            | tables[table].without("strip").as_data(trial)
            for table, layout in schema.TABLES.items()
            if layout.sheet is not None and layout.sheet.heading and tables[table].rows
        ],
        **aids(trial, strip, str(own["field"])),
    }  # fmt: skip


def _shaped(cards: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cards with the number of their shape: those of one are as tall but for their tops."""
    shapes: dict[str, int] = {}
    for card in cards:
        # Boxes are as tall as the template says, whatever stands in them.
        told = {
            "zones": [{**zone, "frames": len(zone["frames"])} for zone in card["zones"]],
            "ears": len(card["ears"]["rows"]), "readings": len(card["readings"]),
            "samples": [{**table, "rows": len(table["rows"])} for table in card["samples"]],
            "lengths": card["lengths"], "worth": card["worth"],
        }  # fmt: skip
        card["shape"] = shapes.setdefault(json.dumps(told, default=str), len(shapes))
    return cards


def _zones(
    trial: FieldTrial, strip: str, headers: Sequence[tuple[str, str]],
    rows: Sequence[Sequence[str | None]]
) -> list[dict[str, Any]]:
    """Frames by zone; an area all frames of a zone share stands in the zone's heading."""
    out = []
    unit = trial.config.units
    width = trial.say("cards.head", "discharge_width",
                      schema.table("strips").column("discharge_width").header(unit))  # fmt: skip
    area_column = schema.table("frames").column("area").header(unit)
    own = trial.counted["frames"]
    own = own[own["strip"].astype(str) == strip]
    for zone in zone_order(own):
        mine = [row for row in rows if row[1] == zone]
        areas = {row[2] for row in mine}
        shared = areas.pop() if len(areas) == 1 else None
        behind = zone == BEHIND
        cobs = schema.column_names("frames").index("kernels_on_cobs")
        out.append({
            "name": zone_words(trial, zone), "words": ZONES[zone].ground(trial.language).card,
            "number": str(zone_number(zone)),
            "area": trial.say("cards.area", area_column, shared or ""),
            "headers": [headers[0], *(h for i, h in enumerate(headers) if i > 3
                                      and (behind or i != cobs))],
            "width": width if behind else None,
            "fell": trial.say("cards.in_windrow", zone_number(BEHIND), zone_number("header")),
            "frames": [{"frame": row[0] or "", "area": "" if shared else row[2] or ""}
                       for row in mine],
        })  # fmt: skip
    return out


def aids(trial: FieldTrial, strip: str, field: str) -> dict[str, Any]:
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
        lines = [
            lengths.row_lengths(spacing, a, rows, config.units, search, trial.language)
            for a in areas[:3]
        ]
        return [*(each[0] for each in lines), *lines[0][1:]]

    if known:
        apart = lengths.spacing_words(known, config.units, trial.language)
        title = trial.say("cards.lengths_along", apart)
        headers = trial.say("cards.length_headers", rows)
        table = [list(line) for line in along(known)]
    else:  # for whoever measures it: a line for every usual spacing
        title = trial.say("cards.lengths_of_usual_spacings")
        usual = lengths.usual_spacings(config.units)
        headers = [trial.say("cards.rows_apart"), *(line.what for line in along(usual[0]))]
        table = [[lengths.spacing_words(each, config.units, trial.language),
                  *(line.one for line in along(each))]
                 for each in usual]  # fmt: skip
    mass = config.thousand_kernel_mass
    units_of = ["bu/ac", "kg/ha"] if config.units == "US" else ["kg/ha", "bu/ac"]
    worth = {
        "headers": [trial.say("cards.kernels"), *units_of],
        "rows": [list(row) for row in
                 lengths.worth_table(areas[0], mass, config.units, trial.language)],
        "words": lengths.worth_words(areas[0], mass, config.units,
                                     config.kernel_mass_stated, trial.language),
    }  # fmt: skip
    return {"lengths": {"title": title, "headers": headers, "rows": table}, "worth": worth}


def _run(trial: FieldTrial, blind: bool) -> dict[str, Any]:
    """The operator's sheet: setups in the order of work, cab readings where cards are blind."""
    table = run_boxes(trial, blind)
    names = [f.name for f in trial.config.setups]
    cells = table.without(*PLACE, *names)
    by_strip = dict(zip(map(str, trial.strips["strip"]), cells.rows, strict=True))
    rows = [
        step if step["change"] else {**step, "cells": list(by_strip[step["strip"]])}
        for step in crew.order_rows(trial, blind=False)
    ]
    said = [crew.time_words(trial), *_changed(trial), trial.say("crew.readings", blind),
            trial.say("safety.gap_at_rest")]  # fmt: skip
    return {"headers": cells.heads(trial), "rows": rows, "words": " ".join(filter(None, said))}


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
            out.append(trial.say("crew.not_in_plan", strip))
        elif any(str(row[n]) != str(planned.loc[strip, n]) for n in names):
            out.append(strip)
    return [trial.say("crew.not_as_planned", out)] if out else []


# Drawings on each side of the header's sheet.
DRAWN = {
    "plates": ("row_unit", "plate_section"), "rolls": ("roll_wear", "plate_section"),
    "guides": ("guides_and_chains",),
}  # fmt: skip


def _header(trial: FieldTrial, files: Files) -> dict[str, Any]:
    drawn = {name: picture(draw(language=trial.language)) for name, draw in DRAWINGS.items()}
    shown = {
        name: {"file": files.keep(f"{name}.svg", one.svg), "alt": one.alt}
        for name, one in drawn.items()
    }
    sheets = []
    for name, table in header_boxes(trial):
        sides = []
        for name_of, (title, said) in trial.say("cards.header_sides").items():
            only = ("row", *HEADER_SIDES[name_of])
            side = table.without(*(c for c in table.columns if c not in only))
            rows = [list(row) for row in side.rows]
            size = -(-len(rows) // -(-len(rows) // MOST_ROWS))
            sides.append({
                "title": title, "pictures": [shown[p] for p in DRAWN[name_of]],
                "words": list(said),
                "headers": side.heads(trial),
                "parts": (parts := [rows[i : i + size] for i in range(0, len(rows), size)]),
                "sheets": [trial.say("cards.sheet_of", n + 1, len(parts))
                           for n in range(len(parts))],
            })  # fmt: skip
        sheets.append({"name": name or None, "sides": sides})
    row = next(c.about for c in schema.table("header_check").columns if c.name == "row")
    unit = schema.table("stalks").column("diameter").unit(trial.config.units)
    return {
        "header": {
            "caution": trial.say("header_safety.caution"), "hands": trial.say("safety.hands"),
            "row": trial.say("cards.row", row),
            "lift": " ".join(trial.say("cautions.touching")[1:4]),
        },
        "headers": sheets,
        "ground": {
            "picture": shown["stalk_and_butt"],
            "words": list(trial.say("cards.ground", IN_A_FIELD)),
            "fields": list(dict.fromkeys(map(str, trial.strips["field"]))),
            "tables": [{"name": trial.say("cards.table", name),
                        "column": trial.say("cards.diameter", unit), "boxes": IN_A_FIELD}
                       for name, layout in schema.TABLES.items() if layout.of_a_field],
        },
    }  # fmt: skip
