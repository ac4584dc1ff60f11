"""All that the page for a phone knows: plain values, its words among them, no setup if blind."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit import units
from trialkit.intake.added import fingerprint
from trialkit.pages.field_paper.boxes import (
    HEADER_SIDES,
    HEADER_TOP,
    PLACE,
    Boxes,
    card_boxes,
    header_boxes,
)
from trialkit.pages.field_paper.content import DRAWN, IN_A_FIELD, aids, rules
from trialkit.pages.field_paper.crew import setup_words
from trialkit.pages.field_paper.lengths import area_words, row_lengths
from trialkit.pages.field_paper.source import FieldTrial, zone_number, zone_order
from trialkit.pages.screen.crews import steps_of, tasks
from trialkit.pages.screen.fields import LAST, Fields
from trialkit.responses import ZONES, schema
from trialkit.responses.behind_machine import BEHIND

FIRST = ("trial", "phone", "entry", "revision", "void", "entered", "table")
"""Columns that every row of the file has, before those of the tables."""


def content(
    trial: FieldTrial, strips: list[str], crew: tuple[int, int] | None, blind: bool
) -> dict[str, Any]:
    """Data of one page: for these strips of the trial, of one crew of several."""
    fields = Fields(trial)
    mine = trial.strips[trial.strips["strip"].astype(str).isin(strips)]
    places = list(dict.fromkeys(map(str, mine["field"])))
    title = _title(trial, blind, places)
    jobs = [_strip(trial, fields, strip, blind) for strip in strips]
    mine_too, given = tasks(trial, *(crew or (1, 1)))
    jobs += _headers(trial, fields) if "" in mine_too else []
    jobs += _ground(trial, fields, [place for place in places if place in mine_too])
    words, area = trial.say("screen.template"), schema.table("frames").column("area")
    mark = fingerprint(map(str, trial.strips["strip"]))
    return {
        # What is kept is kept apart from that of another season with strips of the same names.
        "trial": mark, "store": f"{mark}-{trial.config.season}",
        "title": title, "page_title": trial.say("screen.page_title", title),
        "crew": trial.say("screen.crew_of", *crew) if crew else "", "blind": blind,
        "words": words, "decimal": trial.say("screen.decimal_sign"), "language": trial.language,
        "safety": {
            "cautions": list(trial.say("cautions.counting")), "stop": trial.say("safety.stop"),
            "defer": trial.say("cautions.defer"),
            "header": [trial.say("header_safety.caution"), trial.say("safety.hands"),
                       *trial.say("cautions.touching")[1:4]],
        },
        "rules": [*rules(trial, blind), words["far_rule"]], "sources": trial.say("crew.sources"),
        "zones": {z: {"number": zone_number(z), "called": fields.level(z),
                      "where": zone.ground(trial.language).card} for z, zone in ZONES.items()},
        "note": trial.say("crew.usual_counts") if trial.counted_from == "usual" else "",
        "order": steps_of(trial, strips, blind),
        "square": float(units.convert(1, area.unit(trial.config.units), area.si)),
        "given": given, "first": list(FIRST), "heads": fields.heads(), "fields": dict(fields),
        "how": fields.how, "jobs": jobs,
    }  # fmt: skip


def _title(trial: FieldTrial, blind: bool, places: list[str]) -> str:
    """The trial's title; where it holds a word of a setup and the page is blind, a neutral one."""
    config = trial.config
    title = f"{config.title} ({config.season})"
    told = [text for f in config.setups
            for text in (f.label, *f.levels, *map(f.in_words, f.levels))]  # fmt: skip
    words = {w for text in told for w in text.casefold().split() if len(w) > 2}
    if blind and any(word in title.casefold() for word in words):
        return str(trial.say("screen.neutral_title", config.season, places))
    return title


# ---------------------------------------------------------------- a strip
def _strip(trial: FieldTrial, fields: Fields, strip: str, blind: bool) -> dict[str, Any]:
    own = trial.strips[trial.strips["strip"].astype(str) == strip].iloc[0]
    plan, tables = trial.planned(strip), card_boxes(trial, strip, blind)
    main = str(own["main_strip"]) if pd.notna(own["main_strip"]) else ""
    drive = []
    if plan:
        drive = [trial.say("cards.drive", str(plan["direction"])),
                 trial.say("cards.rows_to_count", str(plan["count_rows"]))]  # fmt: skip
    zones = zone_order(trial.counted["frames"][trial.counted["frames"]["strip"] == strip])
    zones += [z for z in dict.fromkeys(_column(tables["ears"], "zone")) if z not in zones]
    steps: list[dict[str, Any]] = []
    for zone in sorted(zones, key=zone_number):
        steps += _zone(trial, fields, strip, zone, tables)
    ways = fields.of("strips", list(LAST))
    about_strip = {"table": "strips", "record": f"strips|{strip}",
                   "key": fields.known("strips", {"strip": strip})}  # fmt: skip
    width = [{**about_strip, "title": "width", "group": 0, "zone": BEHIND,
              "how": fields.told("width", [trial.say("cards.in_windrow", zone_number(BEHIND),
                                                     zone_number("header"))]),
              "fields": fields.of("strips", ["discharge_width"])}]  # fmt: skip
    first_behind = next((i for i, s in enumerate(steps) if s["zone"] == BEHIND), None)
    if first_behind is not None:
        steps[first_behind:first_behind] = width
    steps.append({**about_strip, "title": "who", "group": 0, "fields": ways, "last": True})
    steps += _readings(trial, fields, tables["strips"], about_strip, first_behind is not None)
    steps += _samples(trial, fields, strip, tables)
    lengths = aids(trial, strip, str(own["field"]))["lengths"]
    return {
        "kind": "strip", "name": strip, "drive": drive, "lengths": lengths, "steps": steps,
        "place": trial.say("cards.place", str(own["field"]), str(own["pair"]), main, 0, 0),
        "setup": "" if blind else setup_words(trial, strip),
    }  # fmt: skip


def _column(table: Boxes, name: str) -> list[str]:
    return [str(row[table.columns.index(name)]) for row in table.rows]


def _zone(
    trial: FieldTrial, fields: Fields, strip: str, zone: str, tables: dict[str, Boxes]
) -> list[dict[str, Any]]:
    """Screens of one zone: every frame, then the search for ears."""
    out = []
    for name in ("frames", "ears"):
        table = tables[name]
        for n, row in enumerate(table.rows):
            cells = dict(zip(table.columns, row, strict=True))
            if cells["zone"] != zone:
                continue
            asked = [c for c, cell in cells.items() if cell is None
                     and (c != "kernels_on_cobs" or zone == BEHIND)]  # fmt: skip
            frame = cells.get("frame") or str(n + 1)
            area = next(c for c in schema.table(name).columns if c.name == "area")
            out.append({
                "table": name, "title": "frame" if name == "frames" else "ears", "name": frame,
                "group": 0, "zone": zone, "key": fields.known(name, cells),
                "record": "|".join([name, strip, zone, *([frame] if name == "frames" else [])]),
                **_size(trial, strip, cells["area"], area, name == "frames"),
                "size": float(cells["area"] or 0), "fields": fields.of(name, asked),
                "counted": True,
            })  # fmt: skip
    return out


def _size(
    trial: FieldTrial, strip: str, value: str | None, area: schema.Column, framed: bool
) -> dict[str, str]:  # fmt: skip
    """An area in words; how long a frame of it is along one row, where rows' spacing is known."""
    if not value:
        return {"area": ""}
    unit = area.unit(trial.config.units)
    square = float(units.convert(float(value), unit, area.si))
    own = trial.strips[trial.strips["strip"].astype(str) == strip].iloc[0]
    spacing = trial.spacings().get(str(own["field"]))
    out = {"area": area_words(square, trial.config.units, trial.language)}
    if framed and spacing:
        along = row_lengths(spacing, square, 1, trial.config.units, language=trial.language)
        out["along"] = along[0].one
    return out


def _readings(
    trial: FieldTrial, fields: Fields, table: Boxes, about_strip: dict[str, Any], has_width: bool
) -> list[dict[str, Any]]:
    """The screen of what is read on a strip; where it has frames behind, the width stands there."""
    names = [f.name for f in trial.config.setups]
    asked = table.without(*PLACE, *LAST, *names, *(["discharge_width"] if has_width else []))
    columns = [c for c, cell in zip(asked.columns, asked.rows[0], strict=True) if cell is None]
    if not columns:
        return []
    asked_for = fields.of("strips", columns)
    return [{**about_strip, "title": "readings", "group": 1, "fields": asked_for}]


def _samples(
    trial: FieldTrial, fields: Fields, strip: str, tables: dict[str, Boxes]
) -> list[dict[str, Any]]:
    """Screens of what is taken from a strip and judged away from the machine."""
    out = []
    for name, layout in schema.TABLES.items():
        if layout.sheet is None or name in ("frames", "ears"):
            continue
        heading, taken = layout.sheet.on_card(trial.language)
        for n, row in enumerate(tables[name].rows):
            cells = dict(zip(tables[name].columns, row, strict=True))
            known = {c: cell for c, cell in cells.items() if cell}
            keys = [str(known[k]) for k in known if k not in ("strip", "area")]
            called = [fields.level(v) for v in keys] or [str(n + 1)]
            out.append({
                "table": name, "title": "sample", "name": ", ".join(called), "group": 1,
                "heading": heading or name, "key": fields.known(name, known),
                "record": "|".join([name, strip, *(keys or [str(n)])]),
                "how": fields.told(name, [taken] * bool(taken)),
                "fields": fields.of(name, [c for c, cell in cells.items() if cell is None]),
            })  # fmt: skip
    return out


# ---------------------------------------------------------------- header and ground
def _headers(trial: FieldTrial, fields: Fields) -> list[dict[str, Any]]:
    out = []
    for name, table in header_boxes(trial):
        # A header that has no name on any sheet is the one there is.
        called = name or "1"
        steps: list[dict[str, Any]] = [{
            "table": "header_check", "title": "side_who", "group": 0, "common": True, "key": {},
            "record": "", "fields": fields.of("header_check", list(HEADER_TOP)),
        }]  # fmt: skip
        for side, (title, said) in trial.say("cards.header_sides").items():
            steps += [{
                "table": "header_check", "title": "row", "name": str(row), "heading": title,
                "group": 0, "record": f"header_check|{called}|{row}", "counted": True,
                "key": fields.known("header_check", {"header": called, "row": str(row)}),
                "pictures": list(DRAWN[side]),
                "how": fields.told(side, [text for text in said if "____" not in text]),
                "fields": fields.of("header_check", HEADER_SIDES[side]),
            } for row in _column(table, "row")]  # fmt: skip
        out.append({"kind": "header", "name": called, "steps": steps})
    return out


def _ground(trial: FieldTrial, fields: Fields, places: list[str]) -> list[dict[str, Any]]:
    return [
        {"kind": "ground", "name": field, "called": fields.level(name), "steps": [{
            "table": name, "title": "number", "name": str(n), "group": 0, "counted": True,
            "record": f"{name}|{field}|{n}", "key": fields.known(name, {"field": field}),
            "pictures": ["stalk_and_butt"],
            "how": fields.told("ground", trial.say("cards.ground", IN_A_FIELD)),
            "fields": fields.of(name, ["diameter"]),
        } for n in range(1, IN_A_FIELD + 1)]}
        for field in places
        for name, layout in schema.TABLES.items() if layout.of_a_field
    ]  # fmt: skip
