"""What was planned against what was run, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed, lower_first
from trialkit.words.as_run import named
from trialkit.words.counts import counted

LAYOUTS = {"pairs": "paired strips", "blocks": "complete blocks", "split": "split-strips"}
UNITS = {"field": "field", "pair": "pair (block)", "main_strip": "main strip"}
COUNTS_HEAD = ("what", "planned", "counted", "strips as planned", "with fewer", "with none",
               "with more")  # fmt: skip
FREEDOM_HEAD = ("setup factor", "planned", "left by the layout as run", "used by the model")
_SHOWN = 8  # strips or pairs that a sentence names


def title() -> str:
    """Over the comparison."""
    return "Planned and run"


def not_compared(why: str) -> str:
    """A plan that cannot be read."""
    return f"The plan of this trial cannot be compared with the run: {why}"


def laid_out(layout: str, strips: int, blocks: int, fields: int, seed: int) -> str:
    """What was planned."""
    where = "one field" if fields == 1 else f"{fields} fields"
    unit = "pair" if layout == "pairs" else "block"
    return (
        f"Planned as {LAYOUTS.get(layout, layout)}: {counted(strips, 'strip')} in "
        f"{counted(blocks, unit)} on {where}, setups drawn at random from seed {seed}."
    )


def no_common_strip() -> str:
    """No strip has a planned name."""
    return (
        "No strip of the strips table has the name of a planned one, so the two cannot be held "
        "against each other strip by strip."
    )


# ---------------------------------------------------------------- strips and setups
def not_run(strips: Sequence[str], refused: int) -> str:
    """Planned strips that the table lacks; rows `refused` may be among them."""
    more = ""
    if refused:
        was = "was" if refused == 1 else "were"
        more = (
            f" ({counted(refused, 'row')} of the strips table {was} refused when it was read, and "
            "may be among them)"
        )
    return f"Planned, but not in the strips table: {named(strips)}{more}."


def idle(strips: Sequence[str]) -> str:
    """Strips on which nothing was measured."""
    return f"In the strips table, but nothing says it was run: {named(strips)}."


def not_planned(strips: Sequence[str]) -> str:
    """Strips that no plan had."""
    return f"Run, but not planned: {named(strips)}."


def all_run(strips: int) -> str:
    """All and no other."""
    return f"All {strips} planned strips were run, and no other."


def unknown_factors(labels: Sequence[str]) -> str:
    """Setup factors that the plan does not have."""
    return f"The plan knows nothing of {listed([lower_first(label) for label in labels])}."


def other_setups(changed: Sequence[tuple[str, str, str]]) -> str:
    """Strips run with another setup: name, setup as run, as planned."""
    told = [f"{strip} ({now} instead of {lower_first(was)})" for strip, now, was in changed]
    more = f" and {len(told) - _SHOWN} more" if len(told) > _SHOWN else ""
    return (
        f"Another setup than planned on {counted(len(told), 'strip')}: "
        f"{', '.join(told[:_SHOWN])}{more}. The strips are analysed as run, and their setups are "
        "no longer those the lot gave them."
    )


def setups_as_planned() -> str:
    """No strip had another setup."""
    return "Every strip that was run had its planned setup."


def moved(unit: str, strips: Sequence[str]) -> str:
    """Strips that count to another unit than planned."""
    return f"Put to another {UNITS[unit]} than planned: {named(strips)}."


# ---------------------------------------------------------------- order of work
def no_times() -> str:
    """No strip carries a time."""
    return "No strip carries a time of harvest, so the order of work cannot be told."


def some_without_time(strips: int) -> str:
    """Some do not."""
    whose = "its" if strips == 1 else "their"
    return (
        f"{counted(strips, 'planned strip')} without a time of harvest: {whose} place in the order "
        "of work is not known."
    )


def same_times() -> str:
    """Times that do not tell strips apart."""
    return (
        "Several strips of a field carry the same time of harvest, so the order of work inside it "
        "is known only as far as times differ."
    )


def out_of_order(field: str, moved: int, strips: int) -> str:
    """A field whose strips were run in another order."""
    return (
        f"On {field} the order of harvest was not the planned one: {moved} of {strips} strips "
        "would have to be moved to make it so."
    )


def in_order() -> str:
    """The planned order was kept."""
    return "Strips were harvested in the planned order, as far as times are known."


def fields_in_order(fields: Sequence[str]) -> str:
    """Fields taken in another order."""
    return f"Fields were taken in another order than planned: {listed(list(fields))}."


def pairs_did(pairs: Sequence[tuple[str, str]], what: str) -> str:
    """Pairs, each with its field, that "lost" strips, of which "none" was run, that took several
    "days" or were "torn"."""
    one = len(pairs) == 1
    was = "was" if one else "were"
    told = {
        "lost": "lost a strip or more",
        "none": f"{was} not run at all",
        "days": f"{was} split over more than one day",
        "torn": f"{was} not harvested in one go",
    }[what]
    shown = [f"{pair} of {field}" for pair, field in pairs]
    if len(shown) > _SHOWN:
        shown[_SHOWN:] = [f"{len(shown) - _SHOWN} more"]
    named_pairs = counted(len(pairs), "pair (block)", "pairs (blocks)")
    end = "."
    if what == "torn":
        end = (
            ": strips of others came in between, and what changed meanwhile is part of the "
            "comparison there."
        )
    return f"{named_pairs} {told}: {listed(shown)}{end}"


def changes(label: str, ran: int, planned: int) -> str:
    """How often something was changed."""
    return (
        f"{label} was changed {counted(ran, 'time')} by the times of harvest; planned were "
        f"{planned}."
    )


# ---------------------------------------------------------------- counts and freedom
def no_effort() -> str:
    """The plan is silent on counts."""
    return "The plan does not say how much was to be counted."


def nothing_counted() -> str:
    """Neither planned nor made."""
    return "The plan asked for no counts, and none were made."


def counts_caption() -> str:
    """Over counts planned and made."""
    return "Counts planned and made; strips are those planned"


def freedom_not_planned() -> str:
    """A factor that the plan does not have."""
    return "not planned"


def freedom_caption(title: str) -> str:
    """Over degrees of freedom."""
    return f"Degrees of freedom for error, planned and run ({title})"


def frames_at(place: str) -> str:
    """Frames of a zone in a table of counts: "frames in standing corn"."""
    return f"frames {place}"
