"""Texts that choose among levels: of a setup factor, of zones, of a few words.

A level of a setup factor may stand there by its name or its words; as a number with its unit or as
a fraction of a tape; or, where the factor has two levels and its name says which one a yes means,
as a check mark, a yes or a no.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from trialkit import units
from trialkit.intake.config import SetupFactor
from trialkit.intake.level_names import (
    fold,
    level_number,
    level_of_yes,
    said_yes,
    unit_of_levels,
)
from trialkit.intake.numbers import how_written, spelled_out, split_unit
from trialkit.responses import ZONES, schema
from trialkit.words import readings, refusals


@dataclass(slots=True)
class Chosen:
    """The level of each text, None where there is none; what was expected of those at fault."""

    levels: list[str | None]
    faults: dict[int, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def read_choices(
    texts: Sequence[str], column: schema.Column, factor: SetupFactor | None = None,
    system: schema.System = "US",
) -> Chosen:  # fmt: skip
    """Levels by their text with capitals put aside, then by number ("3.0" is level "3").

    Parameters
    ----------
    texts : sequence of str
        Distinct cells.
    column : Column
        With its levels.
    factor : SetupFactor, optional
        The setup factor that the column tells the level of.
    system : {"US", "SI"}
        Units of the trial, in which numbers of a factor without a unit are meant.
    """
    levels = {fold(level): level for level in column.levels} | dict(column.aliases)
    if column.kind == "zone":
        levels |= {alias: name for name, zone in ZONES.items() for alias in zone.aliases}
    numeric = {level_number(level): level for level in column.levels}
    numeric.pop(None, None)
    meant: tuple[str, ...] = ()
    if factor is not None:
        own = unit_of_levels(factor.levels, factor.level_labels, factor.unit, system)
        meant = tuple(units.unit_symbol(unit) or unit for unit in own)
    out = Chosen([None] * len(texts))
    for k, text in enumerate(texts):
        if not text and not column.required:
            continue
        level = levels.get(fold(text))
        if level is None:
            level = numeric.get(_number(text, meant, out.notes))
        if level is None and factor is not None:
            level = _in_words(text, factor, out.notes)
        out.levels[k] = level
        if level is None:
            out.faults[k] = refusals.one_of(column.levels) + _why_no_yes(text, factor)
    return out


def _number(text: str, meant: Sequence[str], notes: list[str]) -> float | None:
    """The number a text is; where it names a unit, only one that levels can be meant in."""
    bare, named = split_unit(text) if meant else (text, "")
    if named and named not in meant:
        return None
    plain = spelled_out(bare)
    number = level_number(f"0{plain}" if plain.startswith(".") else plain)
    if number is not None:
        _note(notes, how_written(bare, named, "point"))
    return number


def _note(notes: list[str], new: Sequence[str]) -> None:
    notes += [note for note in new if note not in notes]


def _in_words(text: str, factor: SetupFactor, notes: list[str]) -> str | None:
    """A level by the words reports use for it, or by a yes or a no."""
    words = [fold(label) for label in factor.level_labels]
    if words.count(fold(text)) == 1:
        _note(notes, [readings.words_as_levels(factor.name)])
        return factor.levels[words.index(fold(text))]
    said = said_yes(text)
    meant = level_of_yes(factor.levels, factor.reference, factor.name, factor.label)
    if meant is None or said is None:
        return None
    other = next(level for level in factor.levels if level != meant)
    _note(notes, [readings.marks_as_levels(factor.name, meant, other)])
    return meant if said else other


def _why_no_yes(text: str, factor: SetupFactor | None) -> str:
    """Why a yes or a no does not tell the level."""
    if factor is None or said_yes(text) is None:
        return ""
    return refusals.no_level_of_yes(factor.label, len(factor.levels))
