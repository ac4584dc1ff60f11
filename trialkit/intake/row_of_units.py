"""A row of units directly below the header row, which is no row of data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit import units
from trialkit.intake.source import HeaderReading, SourceTable
from trialkit.responses import schema
from trialkit.words import sheets as words

_SAYS_NOTHING = frozenset({"", "-", "–", "—", "unit", "units", "unit:", "units:"})


def take_unit_row(
    source: SourceTable, reading: HeaderReading, layout: schema.Table
) -> SourceTable:
    """The table without its row of units, where these are the ones of its heads or of the trial.

    Where one is another the row is refused, and a column whose head names no unit is read in the
    one below it: the values are surely meant in that.
    """
    if not len(source.lines) or any(position == 0 for position, _, _ in source.faults):
        return source
    found: dict[str, str] = {}
    numbers = {c.name: c for c in layout.columns if c.kind in ("number", "count")}
    place = {k: name for name, k in reading.place.items()}
    for k, column in enumerate(source.columns):
        text = column[0].strip()
        if text.casefold() in _SAYS_NOTHING:
            continue
        unit = units.unit_symbol(text.strip("()[] ")) if place.get(k) in numbers else None
        if unit is None:
            return source
        found[place[k]] = unit
    if not found:
        return source
    keep = np.arange(len(source.lines)) > 0
    line = int(source.lines[0])
    other = {name: unit for name, unit in found.items() if unit != reading.unit.get(name)}
    if not other:
        return source.rows(keep, [words.unit_row(source.where, line, list(found.values()))])
    for name, unit in other.items():
        bare = "(" not in source.header[reading.place[name]]
        if bare and numbers[name].si and unit in units.units_like(numbers[name].si):
            reading.unit[name] = unit
    heads = [f"{name} ({unit})" for name, unit in other.items()]
    fault = (0, ", ".join(found.values()), words.units_in_heads(heads))
    return replace(source, faults=sorted([fault, *source.faults]))
