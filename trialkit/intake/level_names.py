"""Words for levels of a setup factor that were given none, or none that can stand in a sentence.

"Yes left fewer kernels than no" tells nothing: a bare yes or no is told with its factor, a bare
number with factor and unit. What a user wrote in words stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

WITH = frozenset({"yes", "y", "on", "true", "with"})
WITHOUT = frozenset({"no", "n", "off", "false", "without"})
_MARKS_OF_YES = frozenset({"x", "✓", "✔", "☑", "✅", "√"})
_MARKS_OF_NO = frozenset({"none", "☐"})
_DENIED = re.compile(r"(?:no|without|not)\b.*")
_LONGEST_NUMBER = 40
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d+)?|\d+/\d+|\d+[ -]\d+/\d+)")
_MEASURE = re.compile(rf"({_NUMBER.pattern})\s*(in|mm|cm)\.?", re.IGNORECASE)
_LABELLED = re.compile(rf"(?:{_NUMBER.pattern})\s*(in|mm|cm|mph|km/h|rpm)\b", re.IGNORECASE)
_OF_SYSTEM = {"US": ("in", "mph", "1/min"), "SI": ("mm", "cm", "km/h", "1/min")}
_TELLING = ("mph", "km/h", "rpm")
"""Units that say by themselves what is meant."""
# Name of a factor, its unit in the US and in SI, and numbers that can be meant in each.
_USUAL = (
    ("speed", ("mph", 1.0, 12.0), ("km/h", 1.0, 20.0)),
    ("gap", ("in", 0.25, 4.0), ("mm", 5.0, 100.0)),
    ("rpm", ("rpm", 50.0, 5000.0), ("rpm", 50.0, 5000.0)),
)


def level_number(text: str) -> float | None:
    """The number a level's name is, "3,5", "1-1/4" and "1 1/4" among them; else None."""
    if len(text) > _LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        return None
    whole, _, part = re.sub(r"(?<=\d)[ -](?=\d)", " ", text.replace(",", ".")).partition(" ")
    try:
        return float(Fraction(whole) + (Fraction(part) if part else 0))
    except ZeroDivisionError:
        return None


def unit_of_levels(
    levels: Sequence[str], labels: Sequence[str], unit: str, system: str
) -> tuple[str, ...]:
    """Units in which numeric levels can be meant: their factor's, that of their labels ("32 mm"),
    else any of the trial's own system; none where a level is no number."""
    if any(level_number(level) is None for level in levels):
        return ()
    if unit:
        return (unit,)
    found = [_LABELLED.match(label) for label in labels]
    named = {match[1].lower() for match in found if match is not None}
    if len(named) == 1 and all(found):
        return (*named,)
    return _OF_SYSTEM[system] if not named else ()


def fold(text: str) -> str:
    """A label for comparison: capitals and runs of blanks put aside."""
    return " ".join(text.split()).casefold()


def said_yes(text: str) -> bool | None:
    """Whether a text or a mark says yes (True) or no (False); None where it says neither."""
    said = fold(text).replace("\ufe0f", "")  # a mark shown as a picture
    if said in WITH or said in _MARKS_OF_YES:
        return True
    return False if said in WITHOUT or said in _MARKS_OF_NO else None


def level_of_yes(levels: Sequence[str], reference: str, name: str, label: str) -> str | None:
    """The level that a yes means; None where more than one reading is possible.

    A factor needs two levels for it. They are a yes and a no themselves ("with" and "without",
    "none" and "brush"), or one of them, not the reference, is what the factor is called.

    Examples
    --------
    >>> level_of_yes(["standard", "cushion"], "standard", "cushion", "cushion chain")
    'cushion'
    >>> level_of_yes(["narrow", "wide"], "narrow", "gap", "gap") is None
    True
    """
    if len(levels) != 2:
        return None
    sides = [said_yes(level) for level in levels]
    if None not in sides:
        return levels[sides.index(True)] if sides[0] != sides[1] else None
    if False in sides:
        return levels[1 - sides.index(False)]
    called = [level for level in levels if _called(level, name) or _called(level, label)]
    return called[0] if len(called) == 1 and called[0] != reference else None


def _called(level: str, factor: str) -> bool:
    """Whether a level in words is what its factor is called, or a part of that; or the reverse."""
    one, other = (" ".join(re.findall(r"\w+", t.casefold().replace("_", " ")))
                  for t in (level, factor))  # fmt: skip
    if not one or level_number(level) is not None or _DENIED.fullmatch(one):
        return False
    return f" {one} " in f" {other} " or f" {other} " in f" {one} "


def usual_unit(name: str, levels: Sequence[str], system: str) -> str:
    """Unit of numeric levels by the name of their factor; "" where they cannot be meant in it."""
    found = [v for v in map(level_number, levels) if v is not None]
    for part, us, si in _USUAL:
        if part in name.casefold() and found:
            unit, low, high = us if system == "US" else si
            return unit if all(low <= v <= high for v in found) else ""
    return ""


def labels_of(
    label: str, levels: Sequence[str], unit: str = "", name: str = ""
) -> tuple[str, ...]:
    """Words for levels: those that say enough as they are, the others with factor and unit.

    Parameters
    ----------
    label, name : str
        The factor in words, and its short name.
    levels : sequence of str
        Their names, or the words a user gave them.
    unit : str
        Of numbers.

    Examples
    --------
    >>> labels_of("cushion", ["yes", "no"])
    ('with cushion', 'without cushion')
    >>> labels_of("Ground speed", ["3.5", "5.5"], "mph")
    ('3.5 mph', '5.5 mph')
    >>> labels_of("Stripper-plate gap", ["1.25", "1-1/2"], "in", "gap")
    ('1-1/4 in gap', '1-1/2 in gap')
    >>> labels_of("gap", ["30", "usual"])
    ('gap 30', 'usual')
    """
    # Of two levels 1 and 0 one is a yes and the other a no; elsewhere they are numbers.
    switch = not unit and sorted(levels) == ["0", "1"]
    return tuple(_worded(label, level, unit, name or label, switch) for level in levels)


def _worded(label: str, level: str, unit: str, name: str, switch: bool) -> str:
    said = level.casefold()
    # In a sentence: "with cushion", but "with LP chain".
    inside = label[:1].lower() + label[1:] if label[1:2].islower() else label
    if said in WITH or (switch and said == "1"):
        return f"with {inside}"
    if said in WITHOUT or (switch and said == "0"):
        return f"without {inside}"
    if measure := _MEASURE.fullmatch(level):
        level, unit = measure[1], measure[2].lower()
    elif not _NUMBER.fullmatch(level):
        return level
    if not unit:
        return f"{label} {level}"
    text = _in_sixteenths(level) if unit == "in" else level
    noun = "" if unit in _TELLING else f" {name.replace('_', ' ')}"
    return f"{text} {unit}{noun}"


def _in_sixteenths(level: str) -> str:
    """Inches as they are spoken, 1.25 as 1-1/4; as they stand where they are no sixteenths."""
    value = level_number(level)
    if value is None or value < 0 or (16 * value) % 1:
        return level
    whole, part = divmod(Fraction(value), 1)
    return "-".join(str(v) for v in (whole, part) if v) or "0"
