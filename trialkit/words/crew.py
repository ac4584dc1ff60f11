"""The crew's page: who does what, how to count so that the counts can be trusted, order of work."""

from __future__ import annotations

import math

from trialkit.display import number
from trialkit.units import convert

_GEORGIA = (
    "Sumner & Williams, Measuring Field Losses From Grain Combines, University of Georgia Ext."
)
_MISSOURI = "University of Missouri Ext. G1290"
_UNTOLD = "Nobody who counts is told which setup a strip has"


def roles() -> tuple[tuple[str, str], ...]:
    """Who, and what each does."""
    return (
        ("Operator", "Drives at the set speed, stops, backs up, shuts everything off, hands over "
         "the key. Keeps the operator's sheet and the map."),
        ("Key holder", "Holds the key while anyone is on the ground; gives it back last, when "
         "everyone stands where the operator sees them."),
        ("Counters", "Lay the frames and count."),
        ("Writer", "Writes every count down when it is called, and reads it back."),
        ("Samples", "Takes grain, ears and residue from each strip and sticks the label on at "
         "once."),
    )  # fmt: skip


def sources() -> str:
    """The numbers in brackets of `rules`."""
    return (
        f"[1] {_GEORGIA} [2] {_MISSOURI} (revised 1993). [3] Common practice. [4] From memory, no "
        "source read."
    )


def rules(
    system: str, back_up: float, strip_minutes: float, behind: int, blind: bool
) -> list[str]:
    """How to count honestly, each with its source by number.

    `back_up` is how far (m) the longest ear search ahead of the machine reaches, 0 for none;
    `behind` the number of the zone behind the machine.
    """
    us = system == "US"
    ends, back = ("100 ft", "20 ft") if us else ("30 m", "6 m")
    needed = f"{number(float(convert(back_up, 'm', 'ft')), 0)} ft" if us else (
        f"{number(back_up, 1)} m")  # fmt: skip
    ears = (
        f"Zone header, ears: search every row of the pass from the standing corn back, {needed} "
        "for the area on the card; back up at least so far [1, 2]. Zone preharvest, ears: the same "
        "length of standing corn. Where backing up so far cannot be, search behind the machine [2] "
        "and write under header only ears that did not go through it: whole, not threshed, mostly "
        "in their husks. Those that went through count under total, with them. Ears that still "
        "hold kernels count [3]."
    )
    return [
        f"Stop while threshing steadily, at least {ends} from the row ends, without letting the "
        "machine clear itself [1]. Let the speed settle before the stop: while it changes, what "
        "falls behind is not what the setup does [4].",
        f"Shut off the header and back up. Sources differ on how far: {back} [1], one combine "
        "length [2]. Choose one for the whole trial. Ours: ",
        "Disconnect a spreader or chopper before a count [2], or leave it as it is on every strip. "
        f"Write the width the residue fell on at zone {behind} of the card: loss "
        "behind the machine is told per width of the header with it [1, 2]. Where nobody gives it, "
        "it is taken to be the header's, and loss from a windrow is overstated.",
        "Decide where each frame lies before looking at the ground, in the rows the card names "
        "[3]. A frame lies over one row, its long side along it [1]; its length stands on the "
        f"card. Behind a windrow the frames of zone {behind} lie in it, spread over its width [3].",
        "Lift stalks and leaves off, then count the loose kernels in the frame [1]. Agree before "
        "the first strip which broken kernels count, and keep to it [3].",
        "No kernels is a count: write 0. An empty box means that nobody counted. Never move a "
        "frame because of what lies in it; write what was odd under note [3].",
        "A strip that was not harvested or was damaged, or whose count was spoilt: tick it under "
        "status on its card and write the reason; it is then left out of comparisons and told as "
        "left out. If a single frame was spoilt, leave its boxes empty and write a note [3].",
        "Behind the machine, kernels still on pieces of cob are threshing loss, loose ones "
        "separation loss [1, 2]: count them apart, each in its box, in every frame.",
        f"The same people count all strips of a block{f'. {_UNTOLD}' * blind} [3].",
        *([ears] if back_up else []),
        "A check of five frames takes about 15 minutes [2]; a strip here about "
        f"{minutes(strip_minutes)}. When it has to go faster, lay fewer frames, not hastier ones: "
        "write nothing in those left out [3].",
    ]


def usual_counts() -> str:
    return (
        "What is to be counted was not planned; the usual frames, ear searches and samples are "
        "printed."
    )


def minutes(value: float) -> str:
    """A time that work takes."""
    if value < 90:
        return f"{math.ceil(value)} min"
    return f"{number(value / 60, 1)}".removesuffix(".0") + " h"


# ---------------------------------------------------------------- order of work
def order_heading(planned: bool) -> str:
    return "Order of work" if planned else "Strips, as the table has them"


def day(n: int) -> str:
    return f"Day {n}"


def clock(minutes_after_midnight: float) -> str:
    """ "9:40"."""
    hours, rest = divmod(round(minutes_after_midnight), 60)
    return f"{hours}:{rest:02d}"


def from_to(label: str, before: str, after: str) -> str:
    """What of a setup changes, as a plan's order of work says it."""
    return f"{label}: {before} to {after}"


def change(what: str, spent: float) -> str:
    """A change of the setup in so many minutes; not named on a blind page."""
    return f"Change: {what}, about {minutes(spent)}" if what else (
        f"Change of setup, about {minutes(spent)}")  # fmt: skip


def time(hours: float, days: int, changes: int, change_hours: float) -> str:
    """How long the work takes by the plan; `hours` are of all of it."""
    spent = (
        f", {number(change_hours, 1)} of them for {changes} change{'s' * (changes > 1)} of setup"
        if changes
        else ""
    )
    on = f", on {days} days" if days > 1 else ""
    return (
        f"By the plan the work takes {number(hours, 1)} hours{spent}{on}: passes from 10:00 (dew "
        "off) to 18:30, changes from 8:00 (common practice)."
    )


# ---------------------------------------------------------------- the operator's sheet
def for_operator(blind: bool) -> str:
    told = "For the operator alone: tells the setups."
    return f"{told} Whoever counts does not see it." if blind else "For the operator: the setups."


def readings(blind: bool) -> str:
    return (
        "What may tell the setup is written here, from the cab and from the header."
        if blind
        else "Readings from the cab and the header are written on the back of each count card."
    )


def not_in_plan(strip: str) -> str:
    return f"{strip} (not in the plan)"


def not_as_planned(strips: list[str]) -> str:
    return (
        "The strips table is not as it was planned, and what stands here follows the table, the "
        f"changes between strips and the map the plan: {', '.join(strips)}."
    )
