"""What a workbook to fill in says of itself: its first sheet, and its drop-downs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


def readme(tables: Sequence[str], zones: Mapping[str, str]) -> tuple[str, ...]:
    """Lines of the first sheet, its title before them.

    Parameters
    ----------
    tables : sequence of str
        Those of which one at least is needed.
    zones : mapping of str to str
        Name of a zone, and what ground it is.
    """
    either = f"{', '.join(tables[:-1])} or {tables[-1]}"
    ground = "; ".join(f"{name} is {where}" for name, where in zones.items())
    return (
        "A strip trial, to fill in",
        'Begin with the sheet "trial": its keys stay as they are, the values are yours. '
        "A list takes the cells to the right.",
        'Then "strips": one row per combine pass. Every other sheet points at its strips.',
        f"At least one of {either} is needed; leave sheets you do not use empty.",
        "The unit of each column stands in its header. To work in another unit, change it there, "
        "as in area (m2).",
        "Columns in bold are needed in every row. Leave a cell empty when there is no value.",
        "A row with a mistake is not used: it is listed with its row number and what was expected.",
        f"Zones: {ground}.",
        "Behind the machine loose kernels and those still on pieces of cob are counted apart; "
        "where the residue falls on less than the header's width, discharge_width says on how "
        "much.",
        "Ears of zone header are those that did not go through the machine, between it and the "
        "standing corn, or told apart behind it; zone total are all that lie behind it.",
        "Before anyone counts near the machine: stop it, disengage the header, engine off, brake "
        "set, key out and with the counter, wait until all movement has stopped.",
        "Lock the header's lift cylinders before reaching under it; never free a plugged row with "
        "the rolls turning. The operator's manual, local rules and qualified service people come "
        "first.",
    )


def choose(about: str) -> str:
    """Shown where a cell holds none of the choices of its column."""
    return f"Choose from the list: {about}"
