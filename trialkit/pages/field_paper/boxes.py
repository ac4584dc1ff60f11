"""The boxes of the sheets: the columns of the intake tables, in their order and with their units.

What is known is printed, what is measured is a box to write in, and every column of a table stands
on one sheet and one only, so that typing in goes column for column.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit import units
from trialkit.intake import SetupFactor, TrialConfig
from trialkit.pages.field_paper.source import FieldTrial
from trialkit.responses import ZONES, schema

# Readings that tell or may tell the setup, in the cab and at the plates: on the operator's sheet if
# cards are blind.
CAB = ("speed_set", "speed_measured", "roll_rpm")
AT_HEADER = ("header", "gap_front", "gap_rear")
PLACE = ("strip", "field", "pair", "main_strip")
# Columns that have a place of their own on card and check sheet, under the readings or over them.
WHO = ("counted_by", "written_by", "key_held_by")
FATE = ("status", "reason")
HEADER_TOP = ("measured_by", "measured_at")
# Columns of header_check on each side of its sheet, after the row.
_NAMES = schema.column_names("header_check")[2:]
_ROLLS = tuple(n for n in _NAMES if n.startswith("roll_"))
_PLATES = tuple(n for n in _NAMES if n.startswith(("gap_", "plate_", "set_")))
HEADER_SIDES = {
    "plates": _PLATES,
    "rolls": _ROLLS,
    "guides": tuple(n for n in _NAMES if n not in (*_PLATES, *_ROLLS, *HEADER_TOP)),
}


@dataclass(frozen=True, slots=True)
class Boxes:
    """A table to write in.

    Attributes
    ----------
    table : str
        Name of the intake table.
    columns : tuple of str
        Column names, as in the schema.
    headers : tuple of str
        The same with their units, as in the trial's files.
    rows : tuple of tuples
        Cells as printed; None is a box, "" is closed: nothing is to be filled in there.
    """

    table: str
    columns: tuple[str, ...]
    headers: tuple[str, ...]
    rows: tuple[tuple[str | None, ...], ...]

    def without(self, *columns: str) -> Boxes:
        """The table less columns that are printed once, elsewhere on the sheet."""
        keep = [i for i, name in enumerate(self.columns) if name not in columns]
        return Boxes(self.table, tuple(self.columns[i] for i in keep),
                     tuple(self.headers[i] for i in keep),
                     tuple(tuple(row[i] for i in keep) for row in self.rows))  # fmt: skip

    def heads(self, trial: FieldTrial) -> list[tuple[str, str]]:
        """Headers in the language of the paper, each with the table's own in small print."""
        return [trial.say("cards.head", name, header)
                for name, header in zip(self.columns, self.headers, strict=True)]  # fmt: skip

    def as_data(self, trial: FieldTrial) -> dict[str, Any]:
        """As the template takes it, in the language of the paper."""

        def shown(column: str, value: str | None) -> Any:
            if not value:
                return None if value is None else "\u2013"
            if column == "zone":
                return zone_words(trial, value)
            return trial.say("cards.level", value) if column == "taken_at" else value

        return {
            "headers": self.heads(trial),
            "rows": [[shown(name, value) for name, value in zip(self.columns, row, strict=True)]
                     for row in self.rows],
        }  # fmt: skip


def zone_words(trial: FieldTrial, zone: str) -> tuple[str, str]:
    """What the paper calls a zone, and in small print its name where that is another."""
    called = ZONES[zone].ground(trial.language).called
    return (called, zone if called != zone else "") if called else (zone, "")


def boxes(
    name: str, frame: pd.DataFrame, printed: Iterable[str], config: TrialConfig,
    only: Sequence[str] | None = None,
) -> Boxes:  # fmt: skip
    """Rows of a table with the `printed` columns filled in where known, the others to write in."""
    layout = schema.table(name, config.setups)
    known = set(printed)
    columns = [c for c in layout.columns if only is None or c.name in only]
    rows = tuple(
        tuple(cell(row.get(c.name), c, config.units) if c.name in known
              else "" if _closed(c, row, layout) else None for c in columns)
        for row in frame.to_dict("records")
    )
    return Boxes(name, tuple(c.name for c in columns),
                 tuple(c.header(config.units) for c in columns), rows)  # fmt: skip


def _closed(column: schema.Column, row: Mapping[Hashable, Any], layout: schema.Table) -> bool:
    """Whether the table has nothing in this column for a row like this one."""
    if column.only is None:
        return False
    name, level = column.only
    found = row.get(name)
    return (layout.column(name).blank if pd.isna(found) else str(found)) != level


def cell(value: Any, column: schema.Column, system: schema.System) -> str | None:
    """A known value as printed; None, a box, where it is missing."""
    if value is None or pd.isna(value):
        return None
    if column.kind in ("number", "count"):
        value = units.convert(float(value), column.si, column.unit(system)) if column.si else value
        return f"{float(value):.6g}"
    return str(value)


def card_columns(blind: bool, setups: Iterable[SetupFactor]) -> tuple[str, ...]:
    """Columns of the strips table that stand on the count card."""
    hidden = {*CAB, *AT_HEADER, *(f.name for f in setups)} if blind else set()
    return tuple(c for c in schema.column_names("strips", setups) if c not in hidden)


def run_columns(blind: bool, setups: Iterable[SetupFactor]) -> tuple[str, ...]:
    """Columns of the strips table that the operator's sheet has instead."""
    names = schema.column_names("strips", setups)
    on_card = set(card_columns(blind, setups))
    return tuple(c for c in names if c == "strip" or c not in on_card)


def card_boxes(trial: FieldTrial, strip: str, blind: bool) -> dict[str, Boxes]:
    """Every table of one strip's card: ``strips`` and those that are counted."""
    config = trial.config
    own = trial.strips[trial.strips["strip"].astype(str) == strip]
    names = [f.name for f in config.setups]
    out = {"strips": boxes("strips", own, (*PLACE, *names, "speed_set"), config,
                           card_columns(blind, config.setups))}  # fmt: skip
    for name, layout in schema.TABLES.items():
        if layout.sheet is None:
            continue
        rows = trial.counted[name]
        rows = rows[rows["strip"].astype(str) == strip]
        if layout.zoned:
            zones = {zone: i for i, zone in enumerate(ZONES)}
            rows = rows.sort_values("zone", key=lambda z: z.map(zones), kind="stable")
        out[name] = boxes(name, rows, layout.sheet.printed, config)
    return out


def run_boxes(trial: FieldTrial, blind: bool) -> Boxes:
    """The operator's sheet: a row per strip in the order of work."""
    config = trial.config
    names = [f.name for f in config.setups]
    return boxes("strips", trial.strips, (*PLACE, *names, "speed_set"), config,
                 run_columns(blind, config.setups))  # fmt: skip


def header_boxes(trial: FieldTrial) -> list[tuple[str, Boxes]]:
    """A sheet per header: its name (empty where there is none to print) and a row per row unit."""
    named = [*trial.header_check["header"], *trial.strips["header"].dropna()]
    names = list(dict.fromkeys(str(name) for name in named)) or [""]
    out = []
    for name in names:
        known = trial.header_check[trial.header_check["header"].astype(str) == name]
        rows = [str(r) for r in known["row"]] or [
            str(i) for i in range(1, trial.config.header.rows + 1)
        ]
        frame = pd.DataFrame({"header": name or None, "row": rows})
        out.append((name, boxes("header_check", frame, ("header", "row"), trial.config)))
    return out
