"""What is typed on the page for a phone: a field for each column that a sheet has a box for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from trialkit import units
from trialkit.pages.field_paper.boxes import FATE, WHO
from trialkit.pages.field_paper.source import FieldTrial
from trialkit.pages.screen.pictures import PARTS
from trialkit.responses import schema

ONCE = ("counted_by", "written_by", "key_held_by")
"""Columns that begin with what was last typed in them: the same people count many strips."""


OF = {
    ("grain", "kernels_damaged"): "kernels_examined", ("grain", "sieve_mass"): "sample_mass",
    ("grain", "foreign_mass"): "sample_mass", ("residue", "residue_mass"): "sample_mass",
    ("ear_butt_damage", "ears_damaged"): "ears_examined",
}  # fmt: skip
"""Columns that hold a part of another in the same row: intake refuses more than that one."""


class Fields(dict[str, dict[str, Any]]):
    """Fields by table and column, each described once however many screens it stands on."""

    def __init__(self, trial: FieldTrial) -> None:
        super().__init__()
        self.trial = trial
        self.labels: dict[str, str] = trial.say("screen.labels")
        self.levels: dict[str, str] = trial.say("screen.levels")
        self.used: dict[str, set[str]] = {}  # heads of the file by table
        self.how: dict[str, list[str]] = {}

    def of(self, table: str, columns: tuple[str, ...] | list[str]) -> list[str]:
        """Names of the fields of these columns of a table."""
        return [self._keep(table, column) for column in columns]

    def known(self, table: str, cells: Mapping[str, str | None]) -> dict[str, str]:
        """Cells that are known, by their heads in the file."""
        layout, system = schema.table(table), self.trial.config.units
        out = {layout.column(name).header(system): cell
               for name, cell in cells.items() if cell is not None}  # fmt: skip
        self.used.setdefault(table, set()).update(out)
        return out

    def told(self, name: str, texts: Sequence[str]) -> str:
        """The name under which screens find how something is measured; empty for no text."""
        self.how[name] = [str(self.trial.say("screen.measured_how", text)) for text in texts]
        return name if texts else ""

    def heads(self) -> list[str]:
        """Heads of the columns that the page asks for or knows, table by table."""
        system, out = self.trial.config.units, dict[str, None]()
        for name in schema.TABLES:
            heads = [c.header(system) for c in schema.table(name).columns]
            out |= dict.fromkeys(h for h in heads if h in self.used.get(name, ()))
        return list(out)

    def level(self, name: str) -> str:
        """What a level is called in the language of the page."""
        return self.levels.get(name, name)

    def _keep(self, table: str, name: str) -> str:
        column = schema.table(table).column(name)
        system = self.trial.config.units
        head = column.header(system)
        self.used.setdefault(table, set()).add(head)
        kind = {"key": "text", "level": "choice", "zone": "choice"}.get(column.kind, column.kind)
        if column.kind == "date" and table == "strips":  # a pass has its hour
            kind = "datetime"
        found: dict[str, Any] = {
            "head": head, "name": name, "kind": kind, "required": column.required,
            "part": PARTS.get(f"{table}.{name}", name),
            "label": self.labels.get(name, name.replace("_", " ")), "unit": column.unit(system),
        }  # fmt: skip
        if math.isfinite(column.densest):
            found["densest"] = column.densest
        if kind in ("number", "count"):
            for end, value in (("low", column.low), ("high", column.high)):
                if math.isfinite(value):
                    unit = column.unit(system) or column.si
                    found[end] = float(units.convert(value, column.si, unit) if unit else value)
        if kind == "choice":
            found["blank"] = column.blank
            found["levels"] = [[level, self.level(level)] for level in column.levels]
        if (table, name) in OF:
            found["of"] = OF[table, name]
        if name in ONCE:
            found["again"] = True
        self[f"{table}.{name}"] = found
        return f"{table}.{name}"


LAST = (*FATE, *WHO, "note")
"""Columns of the strips table that stand under the counts of a strip, in this order."""
