"""A header report in sentences, in the trial's own units: extent, gap, feeding, pulling, notes.

Lengths in mm, speeds in km/h, ``system`` "US" or "SI"; sources are codes of
`trialkit.words.header_limits.source`. ``alike`` is whether the mean speed must be told to a second
decimal, since a speed that was set would read the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit import units
from trialkit.display import number
from trialkit.quantities import listed
from trialkit.words.header_limits import source as source_words
from trialkit.words.lengths import Lengths, percent_of

_NAMED = 4  # entries of the list a sentence names


# ---------------------------------------------------------------- what was found
def extent(header: str, rows: int, own: int, whole: int) -> str:
    """How many rows have something of their own, and how much all of them share."""
    said = f"{own} of {rows} rows of header {header} {'has' if own == 1 else 'have'}"
    if not whole:
        return f"{said} something to see to"
    things = "one thing concerns" if whole == 1 else f"{whole} things concern"
    if not own:
        return f"On header {header} {things} all rows alike"
    return f"{said} something to see to, and {things} all rows alike"


def nothing_measured(header: str) -> str:
    return f"Nothing is measured yet on header {header}."


def nothing_found(header: str, rows: int, bare: int) -> str:
    """Of a sound header; ``bare`` rows of it were not measured in full."""
    part = f"; {bare} of them were not measured in full" if bare else ""
    return f"Nothing was found in the {rows} rows of header {header}{part}."


def found_first(extent: str, entries: Sequence[tuple[str, Sequence[str]]]) -> str:
    """The head of the list: which rows, and what was found on them, in words."""
    named = ". ".join(f"{label}: {'; '.join(found)}" for label, found in entries[:_NAMED])
    more = f". And {len(entries) - _NAMED} more" if len(entries) > _NAMED else ""
    return f"{extent}, in this order. {named}{more}."


# ---------------------------------------------------------------- the gap
def median_gap(
    front: float, rear: float, least: float, most: float, sources: tuple[str, str], system: str
) -> str:
    """What the median row reads, beside the range of published starts."""
    say = Lengths(system)
    named = "; ".join(map(source_words, sources))
    return (
        f"The median row reads {say.length(front)} at the front and {say.length(rear)} at the rear."
        f" Published starts for the front run from {say.trade(least)} to {say.trade(most)} "
        f"({named})."
    )


def cushion_room(room: float, source: str, system: str) -> str:
    return f"{Lengths(system).given(room)} more with a cushion is {source_words(source)}."


def asked_by_stalks(
    stalks: int, percentile: float, stalk: float, front: float, spare: float, source: str,
    cushion: bool, system: str,
) -> str:  # fmt: skip
    """The front gap stalks alone ask for: their percentile and something to spare."""
    say = Lengths(system)
    return (
        f"The {stalks} stalks measured, {percentile:g} % of them up to {say.length(stalk)}, alone "
        f"ask for {say.trade(front)}: {say.given(spare)} more than the stalk "
        f"({source_words(source)}){', and the cushion' * cushion}."
    )


def thin_stalks(cushion: bool) -> str:
    """Stalks that ask for less than the published start."""
    return (
        f"That is less than the usual start{' with a cushion' * cushion}, and no reason by itself "
        "to close below it: between the two, shelled kernels under the header speak for closing, "
        "wedged stalks for opening."
    )


def aim(front: float, rear: float, room_only: bool, system: str) -> str:
    """The gap to aim at; only what it would be where it rests on the room of a cushion."""
    say = Lengths(system)
    ends = f"{say.trade(front)} at the front and {say.trade(rear)} at the rear"
    return f"With that room it would be {ends}." if room_only else f"Aim at {ends}."


def aim_beyond_starts(start: float, system: str) -> str:
    return (
        f"That is wider than any published start ({Lengths(system).trade(start)}): see that the "
        "butts of the ears do not reach the rolls."
    )


def spread(apart: Sequence[tuple[str, float]], system: str) -> str:
    """How far rows are apart: (end, amount)."""
    by = [f"{Lengths(system).length(amount)} at the {end}" for end, amount in apart]
    return f"From row to row the gap differs by up to {' and '.join(by)}."


def none_stands_out() -> str:
    return "No row stands out."


def every_row_out() -> str:
    return "Every row is out; set all anew, and measure again what is left."


def repairs_draw_together(rows: Sequence[str], gone: float) -> str:
    """The share of the variance between rows that setting these rows takes off."""
    return (
        f"Setting row{'s' * (len(rows) > 1)} {listed(list(rows))} to the median row takes off "
        f"{percent_of(gone)} of the variance between rows, and so of that of the mean gap over "
        "rows taken at random."
    )


def spread_and_frames() -> str:
    """What a spread between rows means for counts."""
    return (
        "Frames laid behind different rows would then differ less, by as much as the gap makes "
        "loss differ. How large that is beside all other noise of the trial these readings do not "
        "tell."
    )


# ---------------------------------------------------------------- feeding, pulling, time
def fed(
    speed: float, alike: bool, row: float, header: float, rule: tuple[float, float],
    rows: tuple[float, float], alone: tuple[float, float], source: str, system: str,
) -> str:  # fmt: skip
    """Plants a second of a row and the header, against the rule of thumb: so many `rows` together,
    or one at the speeds `alone`."""
    say = Lengths(system)
    together = [number(each, 1) for each in rows]
    slow, fast = (say.speed(each) for each in alone)
    return (
        f"At {mean_speed(speed, alike, system)} a row takes {number(row, 1)} plants a second, the "
        f"header {number(header, 0)}. The rule of thumb of {rule[0]:g} to {rule[1]:g} a second "
        f"({source_words(source)}) is what {together[0]} to {together[1]} rows take in together, "
        f"or one row alone only at {slow.split()[0]} to {fast}."
    )


def stalk_runs_back(through: float, speed: float, alike: bool, system: str) -> str:
    return (
        f"While an ear is pulled down its stalk runs back {Lengths(system).roll(through)} along "
        f"the rolls at {mean_speed(speed, alike, system)}."
    )


def least_left(
    row: str, left: float, up_to: tuple[float, float], new: tuple[float, float], system: str
) -> str:
    """The row whose rolls have least left that grips, and new rolls."""
    say = Lengths(system)
    return (
        f"Row {row} has the least left that grips, {say.roll(left)}: enough {say.up_to(*up_to)}; "
        f"new rolls {say.up_to(*new)}."
    )


def new_rolls(new: tuple[float, float], system: str) -> str:
    return f"New rolls would do {Lengths(system).up_to(*new)}."


def sizes_not_measured() -> str:
    return (
        "The range is that of sizes of the row unit that no one measured: measure them, then ask "
        "again."
    )


def without_slip() -> str:
    return "That is without slip, so the real limit is lower."


def speeds_over_ground(
    speed: float, alike: bool, roll: float, chain: float, aim: tuple[float, float], source: str,
    system: str,
) -> str:  # fmt: skip
    """Rolls and chain over ground speed, either NaN where not known."""
    low, high = aim
    parts = []
    if not math.isnan(roll):
        parts.append(f"the rolls' surface moves at {number(roll, 2)} times ground speed")
    if not math.isnan(chain):
        word = "in" if low <= chain <= high else "outside"
        parts.append(
            f"the chain at {number(chain, 2)} times, {word} the {low:g} to {high:g} usually aimed "
            f"at ({source_words(source)})"
        )
    return f"At {mean_speed(speed, alike, system)} {', '.join(parts)}."


def time_per_area(
    speed: float, alike: bool, efficiency: float, hours_per_ha: float, system: str
) -> str:
    us = system == "US"
    size = units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE if us else 1.0
    return (
        f"At {mean_speed(speed, alike, system)} and a field efficiency of "
        f"{percent_of(efficiency)} {'an acre' if us else 'a hectare'} takes "
        f"{number(60 * hours_per_ha * size, 1)} minutes."
    )


def mean_speed(speed: float, alike: bool, system: str) -> str:
    say = Lengths(system)
    return f"a mean of {say.speed(speed, 2)}" if alike else say.speed(speed)


_PULLING = {
    "every": "on every roll", "some": "on some rolls", "new only": "on new rolls only",
    "not new": "not even on new rolls", "not known": "not known",
}  # fmt: skip


def pulling(code: str) -> str:
    """Where pulling finishes; code of `trialkit.header.speeds.PULLING`."""
    return _PULLING[code]


def not_on_rows(rows: Sequence[str]) -> str:
    """Rows on which pulling does not finish."""
    return f"not on row{'s' * (len(rows) > 1)} {', '.join(rows)}"


# ---------------------------------------------------------------- what was not known
def no_strips() -> str:
    return "there are no strips yet: every field is taken to be run"


def unnamed_by_strips() -> str:
    return "no strip names this header: every field is taken to be run"


def no_speed() -> str:
    return "no ground speed (--speed): feed rate and pulling are left out"


def no_roll_speed() -> str:
    return "no roll speed (--roll-rpm): pulling and the roll ratio are left out"


def no_population() -> str:
    return "plant population is not known for every field (--population): no feed rate"


def sizes_assumed() -> str:
    return "sizes of the row unit were not given; how fast it pulls is told for a plausible range"


def no_chain_speed() -> str:
    return "no chain speed (--chain-speed): the chain ratio is left out"


def no_stalks() -> str:
    return "no stalks measured: the gap to aim at is the usual start"


def few_stalks(stalks: int) -> str:
    return f"what stalks ask for rests on {stalks} of them only"


def rows_differ(checked: int, rows: int) -> str:
    return f"{checked} rows were checked, the trial's header has {rows}"


# ---------------------------------------------------------------- the gap of a strip
def strip_names_none() -> str:
    return "the strip names no header"


def header_not_checked() -> str:
    return "this header was not checked"


def setting_unclear(problem: str) -> str:
    """Rows of one header that name several settings, as the refusal has it."""
    return f"{problem}: give the one it was measured at"


def setting_needed() -> str:
    return (
        "strips of this header have several gaps: give the setting it was checked at (set_front "
        "and set_rear in header_check)"
    )


def strip_without_gap() -> str:
    return "no gap is given for this strip"


# ---------------------------------------------------------------- cards
def card_heading(header: str) -> str:
    return f"Header {header}"


def roll_head(column: str) -> str:
    """Heading of a column that tells of the rolls: what grips, or how far the one worn farther
    is worn."""
    return "roll worn" if column == "wear" else "roll that grips"


def spread_heading() -> str:
    return "Spread of the gap, one row repaired after the other"


def target_heading() -> str:
    return "Gap to set"


def target(front: float, rear: float) -> str:
    """The gap to aim at, in mm."""
    return f"Front {number(front, 1)} mm, rear {number(rear, 1)} mm."


def target_by_start() -> str:
    return "The widest published start; no stalk was measured."


def target_by_stalks(stalks: int, stalk: float, front: float, above: bool) -> str:
    return (
        f"From {stalks} stalks, whose percentile is {number(stalk, 1)} mm: they alone ask for "
        f"{number(front, 1)} mm at the front, {'above' if above else 'not above'} the published "
        "start."
    )
