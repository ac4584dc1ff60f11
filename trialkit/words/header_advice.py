"""What is done about a fault of a header, and why (common practice unless a source stands).

Parts of a sentence. Lengths in mm, speeds in km/h, ``system`` "US" or "SI"; ``start`` is the widest
published front gap.
"""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed
from trialkit.words.lengths import Lengths

_SIZES = {
    "roll_length": "the fluted length of the rolls (--roll-length)",
    "roll_diameter": "the diameter at which they pull (--roll-diameter)",
    "pulled_length": "the height of the ears less that of the grip (--pulled-length)",
}
_THESE = {1: "this", 2: "these two", 3: "these three"}


# ---------------------------------------------------------------- what to do
def set_gap(front: float, rear: float, system: str) -> str:
    """The gap to set."""
    return f"set the gap to {_ends(front, rear, system)}"


def close_all(front: float, rear: float, system: str) -> str:
    """Likewise, of every row."""
    return f"close all rows: {set_gap(front, rear, system)}"


def open_all(front: float, rear: float, start: float, system: str) -> str:
    """Likewise, to a wider gap."""
    return f"open all rows: {set_gap(front, rear, system)}{beyond_starts(front, start, system)}"


def widen_for_cushion(front: float, rear: float, start: float, system: str) -> str:
    """What to look for before the gap is opened for a cushion."""
    return (
        "see whether stalks wedge at the cushion; if so, open all rows in steps toward "
        f"{_ends(front, rear, system)}{beyond_starts(front, start, system)}"
    )


def set_by_reading(front: float, rear: float, system: str) -> str:
    """What to do where the indicator does not read what the plates do."""
    return (
        f"set all rows by what is read between the plates, {_ends(front, rear, system)}, and mark "
        "the indicator anew"
    )


def beyond_starts(front: float, start: float, system: str) -> str:
    """What to see to at a gap wider than any published start; empty where it is not."""
    if front <= start * (1 + 1e-9):
        return ""
    return (
        f", wider than any published start ({Lengths(system).trade(start)} at the front): see that "
        "the butts of the ears do not reach the rolls"
    )


def seat_plates() -> str:
    return "seat the plates in their guides so that both lie equally far from the row's centre"


def straighten_plate() -> str:
    return "straighten or change the plate"


def change_plates() -> str:
    return "change the plates, or turn them where they can be turned"


def straighten_guides() -> str:
    return "straighten or change the guides"


def change_rolls() -> str:
    return "change the rolls"


def change_rolls_or_slow_down(speed: float | None, system: str) -> str:
    return f"change the rolls, or {slow_down(speed, system)}"


def slow_down(speed: float | None, system: str) -> str:
    return f"drive slower than {_speed(speed, system)}"


def stay_below(speed: float | None, system: str) -> str:
    return f"stay below {_speed(speed, system)}, and measure again before the next season"


def change_speed() -> str:
    return "change the speed first (see all rows)"


def set_rolls_closer() -> str:
    return "set the rolls or knives closer, as the manual has it"


def set_rolls_apart() -> str:
    return "set the rolls or knives apart, as the manual has it"


def find_unlike_wear() -> str:
    return "find out why one roll of the pair wears more before you change both"


def tighten_chain() -> str:
    return "tighten the chain"


def slacken_chain() -> str:
    return "slacken the chain"


def change_chain() -> str:
    return "change the chain, and look at its sprockets"


def change_flaps() -> str:
    return "change the flaps"


def fit_flaps() -> str:
    return "fit the flaps"


def measure_gap_again() -> str:
    return "measure again, between the edges of the two plates"


def measure_plates_again() -> str:
    return "measure both plates from the row's centre again, and the gap between their edges"


def ask_again(lacks: str, sizes: Sequence[str]) -> str:
    """What to measure or give before it can be told; ``lacks`` is "rolls", "speed" or ""."""
    text = ""
    if sizes:
        named = listed([_SIZES[name] for name in sizes])
        text = f"measure {_THESE.get(len(sizes), 'these')}, then ask again: {named}"
    if lacks:
        what = "the speed of the rolls (--roll-rpm)" if lacks == "rolls" else (
            "a ground speed (--speed)"
        )  # fmt: skip
        text = f"ask again with {what}" + f"; {text}" * bool(text)
    return text


# ---------------------------------------------------------------- why
def shells_butts() -> str:
    return "too wide, the butt of the ear reaches the rolls and is shelled"


def wedges_stalks() -> str:
    return "too narrow, stalks wedge or break and more residue goes in"


def narrows_toward_the_rear() -> str:
    return "narrower toward the rear, the slot wedges the stalks it pulls"


def ends_unlike() -> str:
    return (
        "with front and rear so unlike, one end is too narrow for stalks or the other too wide for "
        "the butts of ears"
    )


def plate_out_of_guides() -> str:
    return (
        "a plate that lies farther out has most likely jumped out of its guides, and on its side "
        "the butt of the ear reaches the roll"
    )


def plate_bent() -> str:
    return (
        "a bent plate lets butts through where it is wide and wedges stalks where it is narrow"
    )


def edge_rounded() -> str:
    return "a rounded or grooved edge lets the butt of the ear down to the rolls"


def guides_warped() -> str:
    return "warped guides leave stalk and ear less room there than before and behind"


def gripped_late() -> str:
    return (
        "where flutes are worn the stalk is gripped late, and pulling has less of the roll to "
        "finish on"
    )


def speed_too_high() -> str:
    return "pulling does not finish at that speed, though little is worn"


def stalks_slip() -> str:
    return "too far apart, they neither grip nor cut, and stalks slip"


def knives_touch() -> str:
    return "knives that touch wear each other and cut stalks off instead of pulling"


def chain_jumps() -> str:
    return "a loose chain jumps, and its lugs no longer run in step on the two sides"


def chain_wears() -> str:
    return "a tight chain wears itself, its sprockets and its bearings"


def chain_rides_up() -> str:
    return "a chain so much longer than new rides up its sprockets"


def flap_torn() -> str:
    return "loose ears roll out at the front where a flap is torn"


def flap_missing() -> str:
    return "loose ears roll out at the front where a flap is missing"


def half_a_gap() -> str:
    return (
        "read from the row's centre to one plate, a sound gap gives half, and no plate is to be "
        "set by that"
    )


def distances_must_add_up() -> str:
    return "the two distances must add up to the gap"


def later_roll_decides() -> str:
    return (
        "the roll that grips later decides; unlike wear points to the clearance, a bearing or a "
        "bent roll"
    )


def lower_flute_decides() -> str:
    return "the lower flute decides how late the stalk is gripped"


def cushion_room() -> str:
    return "how much room a cushion takes is common practice, not a published figure"


def indicator_wrong() -> str:
    return "an indicator that reads otherwise than the plates sets every row wrong"


def speed_not_wear() -> str:
    return (
        "pulling does not finish even on new rolls, so this is the speed, not wear; slip lowers "
        "the limit further"
    )


def hangs_on_sizes() -> str:
    return "how fast even new rolls pull hangs on them"


def _ends(front: float, rear: float, system: str) -> str:
    say = Lengths(system)
    return f"{say.trade(front)} at the front and {say.trade(rear)} at the rear"


def _speed(speed: float | None, system: str) -> str:
    """A speed, or the one asked for where the rolls tell none."""
    return "the speed that is asked for" if speed is None else Lengths(system).speed(speed)
