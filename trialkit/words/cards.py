"""Count cards, the check sheet of the header, labels: what is printed beside the boxes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trialkit.display import number
from trialkit.words.columns import COLUMNS

_DIRECTIONS = {"up": "near end to far end", "down": "far end to near end"}


def template() -> dict[str, Any]:
    """Words of the print template, by the names it has for them; in pairs what has a column."""
    return {
        # The crew's page
        "crew": "Crew", "emergency": "Emergency number", "telephone": "Telephone on the spot",
        "where": "Where we are: field entrance, road, coordinates for the ambulance",
        "extinguisher": "Fire extinguisher and first aid are", "hospital": "Nearest hospital",
        "fields": "Fields", "before": "Before anyone goes near the machine",
        "roles": "Who does what", "who": "who", "what": "what", "name": "name",
        "told": "Everyone was told these rules on (date)", "signature": "by (signature)",
        "rules": "How to count so that the counts can be trusted",
        "begins": "begins", "run": "run", "strip": "strip", "field": "field", "pair": "pair",
        "direction": "direction",
        # Count cards
        "no_code": "name too long for a code", "code": "QR code of the strip's name",
        "card_front": "count card: on the ground", "card_back": "count card: samples and readings",
        "front": "front", "back": "back", "zone": "zone", "setup": "Setup",
        "blind": "Setup: not told on this card, so that every strip is counted alike.",
        "ears": "ears on the ground", "strips": "strips",
        "counted_by": (COLUMNS["counted_by"], "counted_by"),
        "written_by": (COLUMNS["written_by"], "written_by"),
        "key_held_by": (COLUMNS["key_held_by"], "key_held_by"),
        "odd": "note: what was odd on this strip, as lodging, stops, weather, wildlife, repairs",
        "status": "status: tick one", "reason": "reason: why it is not to be used as it is",
        "worth": "Kernels in one frame as loss",
        # The operator
        "operator": "Operator", "operators_sheet": "Operator's sheet",
        "strip_setup": "strip, setup", "map": "Map of the passes",
        # The header
        "header_check": "Header check", "header": "header",
        "measured_by": (COLUMNS["measured_by"], "measured_by"),
        "date": (COLUMNS["measured_at"], "measured_at"),
        "ground": "Stalks and ear butts", "each": "of each",
        # Under every sheet of a translation that nobody has checked
        "unchecked": "",
    }  # fmt: skip


def head(column: str, header: str) -> tuple[str, str]:
    """What stands over a box, and in small print the table's own header where that is another."""
    if column not in COLUMNS:
        return header, ""
    # Beside the speed set, in a narrow column of the operator's sheet.
    said = "measured" if column == "speed_measured" else COLUMNS[column]
    return said + header.removeprefix(column), column if "_" in column else ""


def level(value: str) -> tuple[str, str]:
    """A level that is printed, and in small print the table's own word where that is another."""
    return value, ""


def area(header: str, value: str) -> str:
    """The area of a zone's frames, by the header of its column; without a value frames differ."""
    return f"{header}: {value}" if value else header


def area_unit(unit: str) -> str:
    """A unit of area as it is said; tables have it plain."""
    return {"ft2": "sq ft", "m2": "m²"}.get(unit, unit)


def paper(title: str) -> str:
    return f"Field paper: {title}"


def table(name: str) -> str:
    """What a table of a field's own is called on its sheet."""
    return name


def labels(title: str) -> str:
    return f"Labels: {title}"


def sample(table: str, behind: bool) -> str:
    """What a label is for."""
    return f"{table} behind" if behind else table


# ---------------------------------------------------------------- a count card
def place(field: str, pair: str, main_strip: str, run: int, of: int) -> str:
    """Where a strip is; `main_strip` is empty and `of` 0 where there is none and no plan."""
    parts = [f"field {field}", f"pair {pair}"]
    if main_strip:
        parts.append(f"main_strip {main_strip}")
    if of:
        parts.append(f"run {run} of {of}")
    return ", ".join(parts)


def way(direction: str) -> str:
    """Which end a pass is run towards."""
    return _DIRECTIONS.get(direction, direction)


def direction(name: str) -> str:
    """Which way a pass is run, as lists have it."""
    return name


def drive(direction: str) -> str:
    return f"Drive {direction}, {way(direction)}"


def rows_to_count(rows: str) -> str:
    return f"Count rows {rows} (1 is the left row in the direction of travel)"


def field_at(field: str, latitude: float, longitude: float) -> str:
    return f"{field} at {number(latitude, 5)}, {number(longitude, 5)}"


def in_windrow(behind: int, header: int) -> str:
    """What to do with the width residue fell on; numbers of the zones behind machine and header."""
    return (
        "Residue fell on this width: measure it across the rows. All frames of zone "
        f"{behind} lie inside it, spread over it; beside it lies what the header left, which zone "
        f"{header} counts."
    )


# ---------------------------------------------------------------- lengths and losses
def lengths_along(spacing: str) -> str:
    return f"Lengths to mark off along the rows (rows are {spacing} apart)"


def lengths_of_usual_spacings() -> str:
    return "Lengths to mark off along one row (the field's row spacing is not stated)"


def length_headers(rows: int) -> list[str]:
    return ["area", "along one row", f"along {rows} rows"]


def rows_apart() -> str:
    return "rows apart"


def kernels() -> str:
    return "kernels"


def frame(area: str) -> str:
    return f"frame, {area}"


def ear_search(area: str) -> str:
    return f"ear search, {area}"


def worth(
    area: str, divisor: float | None, factor: float, mass: float, per_bushel: float,
    square_feet: float, rule: float, stated: bool,
) -> str:  # fmt: skip
    """How kernels in a frame become loss on the spot; `divisor` (bu/ac) in US units alone.

    `rule` is the number of kernels per bushel the rule of thumb is exact at.
    """
    basis = f"{mass:g} g per 1,000 kernels"
    if divisor is not None:
        basis += f", {number(per_bushel, 0)} kernels per bushel"
        first = f"kernels \N{DIVISION SIGN} {number(divisor, 1)} = bu/ac"
        thumb = (
            f" The rule of 2 kernels per sq ft (here kernels \N{DIVISION SIGN} "
            f"{2 * square_feet:.3g}) is exact at {number(rule, 0)} kernels per bushel."
        )
    else:
        first, thumb = f"kernels \N{MULTIPLICATION SIGN} {factor:.3g} = kg/ha", ""
    own = "" if stated else " (not weighed: weigh your own)"
    return (
        f"Frame of {area}: {first}, at {basis}{own}.{thumb} One frame is not yet a loss: frames "
        "are averaged and what lay there before is taken off."
    )


# ---------------------------------------------------------------- the header
def header_sides() -> dict[str, tuple[str, tuple[str, ...]]]:
    """Sides of the header's sheet: title and what is said beside the boxes."""
    return {
        "plates": ("Plates", (
            "Gaps, front, middle and rear: from edge to edge of the two stripper (deck) plates, "
            "at the plates with gauge or rule, not from the display in the cab. In the middle "
            "where you take it.",
            "Each plate: from the row's centre, the nip of the rolls, to the plate's edge; may be "
            "left out. Left and right as seen driving.",
            "Set to, front and rear: what the gap was set to when it was measured.",
            "Plate edge wear: how far an edge is rounded or grooved back, at the worst place.",
        )),
        "rolls": ("Rolls", (
            "Worn is measured by the roll itself, each roll of a pair alone.",
            "Worn length: from the front of the flutes or knives back to where they have "
            "their full height; 0 for none.",
            "Flute height: height that is left, from the body of the roll to the top of the "
            "flute or knife, at the front. The manual has the height when new.",
            "Between the rolls: between them or their knives, where it is least as they stand.",
        )),
        "guides": ("Guides, chains, flaps", (
            "Clearance 1 to 5: between facing chain guides, 1 at the front, then "
            "second, middle, fourth, and 5 at the rear.",
            "Chain slack: how far the chain can be moved by hand, halfway. How it is measured and "
            "how much is right, the manual says.",
            "Chain stretch: ten links taut against ten of a new chain; longer by so many %.",
            "Flaps (ear savers): sound, torn or missing.",
            "Once for the header: fluted length of a new roll ________, its diameter between core "
            "and top of the flutes ________, height of the ears above the rolls' grip ________, "
            "speed of the rolls, from display or manual, ________ 1/min: how fast the rolls pull.",
        )),
    }  # fmt: skip


def row(about: str) -> str:
    return f"row: {about}."


def sheet_of(number_of: int, sheets: int) -> str:
    return f"Sheet {number_of} of {sheets} of this header"


def ground(stalks: int) -> tuple[str, ...]:
    """How stalks and ear butts are taken."""
    return (
        f"{stalks} stalks in each field, no two from one spot: across at the height of the plates, "
        "the wider way. The gap has to let them pass.",
        f"20 to {stalks} ears in each field, husk off: across the kernels at the butt, the widest "
        "place of its last inch (25 mm). Butts narrower than the gap reach the rolls and shell, so "
        "the gap has to hold them up.",
        "Taken in standing corn, away from the machine.",
    )


def diameter(unit: str) -> str:
    return f"diameter ({unit})"


def setup(levels: Sequence[tuple[str, str]]) -> str:
    """Factors and levels by their labels: "Gathering chain: Cushioned chain; gap 36"."""
    parts: list[str] = []
    for factor, level in levels:
        parts.append(level if level.startswith(f"{factor} ") else f"{factor}: {level}")
    return "; ".join(parts)
