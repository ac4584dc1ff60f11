"""The header page in words: headline, titles, what stands beside its tables and figures.

Lengths in mm, ``system`` is "US" or "SI". Limits come as text with their source
(`header_limits.limit_and_source`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trialkit.quantities import listed, lower_first, upper_first
from trialkit.words.header import roll_head
from trialkit.words.header_limits import source as source_words
from trialkit.words.lengths import Lengths

_TITLES = {
    "cautions": "Before anyone touches the header",
    "fix": "What to fix first",
    "drawing": "The rows, drawn to scale",
    "verdicts": "Row by row",
    "readings": "All readings",
    "target": "The gap to aim at",
    "feeding": "Feeding and pulling, speed by speed",
    "noise": "How much repairs narrow the trial's noise",
    "limits": "Limits used",
    "gaps": "What was not known",
}
_LEADS = {"repair": "Do", "ask": "First", "watch": "Keep in mind"}
_VERDICTS = {"repair": "repair ", "ask": "measure first: ", "watch": "keep in mind: "}
_PARTS = {"readings": "gap again"}
_UNITS = {"US": "inches", "SI": "mm"}


# ---------------------------------------------------------------- headline
def headline(
    header: str, repairs: Sequence[str], others: Sequence[str], *, measured: bool, bare: bool,
    whole: bool, several: bool,
) -> str:  # fmt: skip
    """What to repair first, in a sentence without its stop.

    Parameters
    ----------
    repairs, others : sequence of str
        Labels of the entries to repair, and of those only to be asked about or told.
    measured, bare : bool
        Whether anything was measured; whether something of it was not.
    whole : bool
        Whether the first entry is about all rows.
    several : bool
        Whether the page has other headers, so that this one is named.
    """
    first, rest = [lower_first(r) for r in repairs], [lower_first(o) for o in others]
    if not measured:
        text = "nothing is measured yet"
    elif first:
        then = first[1:3]
        more = f", then {len(first) - 3} more" if len(first) > 3 else ""
        # "row 3 and row 5" are "rows 3 and 5".
        if len(then) == 2 and all(label.startswith("row ") for label in then):
            then = [f"rows {then[0][4:]}", then[1][4:]]
        text = "repair first what all rows have" if whole else f"repair {first[0]}"
        text += f"{' first' * (not whole)}, then {listed(then)}{more}" * bool(then)
    elif rest:
        text = f"nothing to repair yet; see what is found on {listed(rest[:3])}"
        text += f" and {len(rest) - 3} more" * (len(rest) > 3)
    else:
        text = "nothing to repair was found" + ", as far as it was measured" * bare
    return f"Header {header}: {text}" if several else upper_first(text)


def extents(each: Sequence[str]) -> str:
    """How much is found on every header."""
    return f"{'. '.join(each)}."


# ---------------------------------------------------------------- what to fix
def title(part: str) -> str:
    """Heading of a part of the page."""
    return _TITLES[part]


def header_named(header: str) -> str:
    return f"Header {header}"


def of_header(header: str, title: str) -> str:
    """Heading of a part about one of several headers."""
    return f"Header {header}: {title}"


def lead(grade: str) -> str:
    """Before what to do, by its grade."""
    return _LEADS[grade]


def why() -> str:
    return "Why"


def same_as(label: str) -> str:
    """An entry whose advice was given already."""
    return f"Do the same, and for the same reason, as for {lower_first(label)}."


def as_for(label: str) -> str:
    """A part of an advice that was given already."""
    return f"as for {lower_first(label)}"


def options(option: str) -> str:
    """How a figure that is asked for is given."""
    return (
        "What begins with two dashes is how a figure is given to the program: trialkit header "
        f"FOLDER {option} NUMBER."
    )


def short_verdict(rank: int, parts: Sequence[tuple[str, Sequence[str]]]) -> str:
    """A verdict in a word or two: parts of the row unit by grade."""
    told = "; ".join(
        _VERDICTS[grade] + ", ".join(_PARTS.get(part, part) for part in named)
        for grade, named in parts
    )
    return f"{rank}. {told}"


# ---------------------------------------------------------------- tables
def found_caption(header: str) -> str:
    return f"Header {header}: what was found"


def found_heads() -> list[str]:
    return ["row", "found"]


def rows_caption(header: str, system: str) -> str:
    return f"Header {header}, row by row from the left; {_UNITS[system]}"


def rows_heads(roll: str) -> list[str]:
    """Heads of the table of rows, the finding first."""
    return ["row", "verdict", "gap front", "gap rear", "taper", "plates unlike", "least guide",
            roll_head(roll)]  # fmt: skip


def rows_read(limits: Mapping[str, str], roll: str) -> str:
    """How the table of rows is read; `limits` by their names, with their sources; `roll` is the
    column that tells of the rolls."""
    told = (
        "Roll worn: how far back from the front, of the roll worn farther."
        if roll == "wear"
        else "Roll that grips: its length behind the worn part, of the roll worn farther."
    )
    return (
        "Plates unlike: how much farther the right plate lies from the row's centre than the left, "
        f"at the worse end; over {limits['crooked']} they are crooked. A gap is out when it lies "
        f"over {limits['own_gap']} off the other rows, a taper over {limits['taper_off']} off the "
        f"{limits['taper']} more at the rear. A station of the guides under "
        f"{limits['guide_clearance']} is a pinch. {told}"
    )


def plates_table(header: str, system: str) -> tuple[str, list[str]]:
    """Caption and heads of the readings of gaps and plates."""
    ends = [f"{side} plate {end}" for side in ("left", "right") for end in ("front", "rear")]
    return (
        f"Header {header}: gaps and plates, {_UNITS[system]}; plates from the row's centre; off: "
        "from the median row",
        ["row", "front", "middle", "rear", *ends, "off, front", "off, rear"],
    )


def guides_caption(header: str, system: str) -> str:
    return f"Header {header}: clearance of the guides, {_UNITS[system]}"


def guides_heads(stations: Sequence[str]) -> list[str]:
    return ["row", *stations]


def rolls_table(header: str, system: str) -> tuple[str, list[str]]:
    """Caption and heads of the readings of rolls, edges, chain and flaps."""
    return (
        f"Header {header}: rolls, edges, chain and flaps, {_UNITS[system]}; enough to: speed up to "
        f"which the rest of the roll does without slip, {Lengths(system).speed_unit}, at worst and "
        "at best",
        ["row", "left roll worn", "right roll worn", "left flute", "right flute",
         "enough to, worst", "enough to, best", "knives apart", "edges worn", "chain slack",
         "chain longer, %", "flaps"],
    )  # fmt: skip


# ---------------------------------------------------------------- the gap to aim at
def own_gaps() -> str:
    return (
        "Strips of this trial were run at gaps of their own; the readings are those of the setting "
        "the header was measured at."
    )


def stalks_ask(percentile: float, source: str, spare: str, taper: str) -> str:
    """What stalks alone ask for; `spare` and `taper` with their sources."""
    return (
        f"Stalks alone ask for a front gap that {percentile:g} % of them pass "
        f"({source_words(source)}) with {spare} to spare; the rear is {taper} more. Measure stalks "
        "again when the crop changes."
    )


def cushion_opening(fitted: bool, cushion: str) -> str:
    """What a cushion does to the aims; `cushion` with its source."""
    aims = (
        f"These aims are {cushion} wider for the cushion, because it fills that opening"
        if fitted
        else f"These aims are for the standard chain. Some set the plates up to {cushion} wider "
        "for a cushion, because the cushion fills that opening"
    )
    return (
        f"{aims}: measure the opening between the cushions, watch the ear butts, and follow the "
        "operator's manual."
    )


def target_table(header: str, system: str) -> tuple[str, list[str]]:
    """Caption and heads of the gap to aim at, field by field."""
    return (
        f"Header {header}: gap to aim at, field by field, {_UNITS[system]}",
        ["field", "stalks", "stalks alone, front", "aim, front", "aim, rear"],
    )


# ---------------------------------------------------------------- feeding
def speed_lacks() -> str:
    return "No ground speed is known yet; give some: trialkit header FOLDER --speed 4 --speed 5."


def speeds_table(header: str, system: str) -> tuple[str, list[str]]:
    """Caption and heads of what happens at the speeds used."""
    say, area = Lengths(system), "ac" if system == "US" else "ha"
    return (
        f"Header {header}: at the speeds used",
        [f"speed, {say.speed_unit}", "pulling finishes", "plants/s, row", "plants/s, header",
         f"travel while a stalk is pulled, {say.length_unit}",
         f"least roll that grips, {say.length_unit}", "roll over ground", "chain over ground",
         f"{area}/h", f"min/{area}"],
    )  # fmt: skip


# ---------------------------------------------------------------- limits, record
def limits_lead() -> str:
    return (
        "Common practice is what the trade goes by, with no published figure behind it; the "
        "operator's manual of the header has its own, and they come first. Every limit and every "
        "size of the row unit can be given."
    )


def limits_table() -> tuple[str, list[str]]:
    return "Limits and sizes used", ["setting", "value", "source"]


def may_be(value: str, ends: str) -> str:
    """A size no one measured."""
    return f"{value}, may be {ends}"


def not_known(note: str) -> str:
    """A note as a sentence."""
    return f"{upper_first(note)}."


def estimates_only() -> str:
    return (
        "Agronomic figures are estimates for a decision, not guarantees; a header that reads in "
        "order here may still have what no one measured."
    )


# ---------------------------------------------------------------- terminal
def terminal_rows(header: str, system: str) -> str:
    return (
        f"Header {header}, row by row, {_UNITS[system]}: gap of the stripper (deck) plates, least "
        "clearance of the chain guides"
    )


def nothing_measured() -> str:
    return "Nothing is measured yet."


def nothing_to_repair() -> str:
    return "Nothing to repair was found."


def not_filled_in() -> str:
    return "The header check is not filled in yet: no row holds a measurement."


def columns_needed(unit: str) -> str:
    """What a header check takes, where a trial has none."""
    return (
        "The trial has no header check: it needs a table header_check (file header_check.csv), one "
        "row per row unit, with the columns header, row, gap_front, gap_rear, "
        "roll_left_wear_length, roll_right_wear_length, clearance_1 to clearance_5 and more (unit "
        f"in brackets, as in clearance_1 ({unit})); header and row must be filled in, the rest as "
        "far as measured."
    )
