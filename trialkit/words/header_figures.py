"""The drawings of a header in words: what is written in them, their captions, what they show.

Lengths in mm; ``system`` is "US" or "SI".
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit.quantities import listed, lower_first
from trialkit.words.lengths import Lengths

# Findings that need no figure in a drawing.
_SHORT = {
    "bent": "plate bent", "edge": "edges worn", "flute": "flutes low", "open": "knives apart",
    "touching": "knives touch", "slack": "chain slack", "tight": "chain tight",
    "stretched": "chain long", "torn": "flaps torn", "missing": "flaps missing",
    "half": "half a gap?", "unlike": "read again", "pair": "rolls unlike",
    "flute pair": "flutes unlike",
}  # fmt: skip


# ---------------------------------------------------------------- row by row
def short(kind: str) -> str:
    """A finding in a word or two."""
    return _SHORT[kind]


def off(end: str, by: float, wider: bool, system: str) -> str:
    return f"{end} {'+' if wider else '−'}{Lengths(system).short(by)}"


def taper(amount: float, system: str) -> str:
    return f"taper {Lengths(system).short(amount)}"


def in_slot(amount: float, system: str) -> str:
    """A taper, where the unit stands above."""
    return f"taper {Lengths(system).value(amount)}"


def crooked(by: float, system: str) -> str:
    return f"crooked {Lengths(system).short(by)}"


def pinched(least: float, system: str) -> str:
    return f"pinched, {Lengths(system).short(least)}"


def worn(by: float, system: str) -> str:
    return f"worn {Lengths(system).roll(by)}"


def heads(system: str) -> dict[str, str]:
    """What stands above the columns."""
    return {
        "row": "Row", "gap": f"Gap, {Lengths(system).length_unit}", "guides": "Guides",
        "front": "front", "rear": "rear",
    }  # fmt: skip


def legend(limit: float, system: str) -> dict[str, str]:
    """What the marks stand for; `limit` is that of the guides."""
    return {
        "plate": "plate", "crooked": "crooked plate", "aim": "gap to set; guides' limit",
        "wider": "wider than that", "narrower": "narrower than that",
        "roll": "roll, open where worn", "station": "station of guides",
        "pinch": f"pinch: under {Lengths(system).given(limit)}",
        "bar": f"{'1 in' if system == 'US' else '20 mm'} of gap, lengthwise not to scale",
    }  # fmt: skip


def rows_summary(extent: str, first: str) -> str:
    """What is found, and on which rows first."""
    return f"{extent}; first {lower_first(first)}."


def rows_caption(rows: Sequence[str], source: str) -> str:
    """Under the drawing of some rows; `source` is where the guides' limit is from."""
    which = f"Rows {rows[0]} to {rows[-1]}" if len(rows) > 1 else f"Row {rows[0]}"
    return (
        f"{which}, driving to the right. Across the slot all rows have one scale, that of the bar. "
        f"Words stand where something is found. The limit of the guides: {source}."
    )


def rows_alt(
    header: str, summary: str, shared: Sequence[tuple[str, Sequence[str]]],
    aims: tuple[float, float], rows: Sequence[tuple[str, int | None, float, float, str]],
    system: str,
) -> str:  # fmt: skip
    """What the drawing shows.

    Parameters
    ----------
    shared : sequence of (label, findings)
        What all rows have.
    aims : (float, float)
        Front and rear gap to set.
    rows : sequence of (label, place in the order of repair, front and rear gap, verdict)
    """
    say = Lengths(system)
    parts = [f"Header {header} from above, row 1 at the left of the machine.", summary]
    parts += [f"{label}: {'; '.join(found)}." for label, found in shared]
    parts.append(
        f"Gap to set: {say.trade(aims[0])} at the front, {say.trade(aims[1])} at the rear."
    )
    for label, rank, *gaps, verdict in rows:
        front, rear = ("not measured" if math.isnan(g) else say.length(g) for g in gaps)
        order = "" if rank is None else f", {rank} in the order of repair"
        parts.append(f"Row {label}{order}: {front} front, {rear} rear; {verdict}.")
    return " ".join(parts)


# ---------------------------------------------------------------- the whole header
def plan_bar(system: str) -> str:
    return f"{'2 ft' if system == 'US' else '0.5 m'}; driving up the page"


def _rows(rows: Sequence[str]) -> str:
    return f"row{'s' * (len(rows) > 1)} {listed(list(rows))}"


def plan_summary(rows: Sequence[str], whole: Sequence[int]) -> str:
    """What the black numbers are: `rows` in the order of repair, ranks of what all have."""
    places = f"Black numbers: the place in the list, {_rows(rows)}." if rows else ""
    if whole:
        numbers = listed([str(rank) for rank in whole])
        places += f" Number{'s' * (len(whole) > 1)} {numbers}: of all rows alike."
    return f"{places.strip()} Row 1 is at the left of the machine."


def plan_caption(summary: str) -> str:
    return (
        f"{summary} All of it to one scale; white: the room between the chain guides, black: the "
        "gap between the stripper (deck) plates."
    )


def plan_alt(header: str, count: int, rows: Sequence[str], roll: float, system: str) -> str:
    order = f"In the order of the list: {_rows(rows)}." if rows else "No row has its own fault."
    return (
        f"Header {header} from above, driving up the page, {count} row units to scale. {order} "
        f"The roll is {Lengths(system).given(roll)} long."
    )
