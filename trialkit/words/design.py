"""What a trial's strips allow to be compared: its layout, and what was left out or assumed."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.counts import some_of

_LAYOUTS = {
    "without pairs": "{strips} strips on {where}, without pairs",
    "single": "{blocks} blocks of strips on {where}, each under one setup",
    "pairs": "paired strips, {blocks} pairs on {where}",
    "blocks": "{blocks} blocks of strips on {where}",
    "split strips": "a split-strip trial of {blocks} blocks on {where}",
}


def layout(kind: str, strips: int, blocks: int, fields: int) -> str:
    """A layout in a few words; `kind` is one of "split strips", "pairs", "blocks", "single" (one
    setup a block) and "without pairs"."""
    where = "one field" if fields == 1 else f"{fields} fields"
    return _LAYOUTS[kind].format(strips=strips, blocks=blocks, where=where)


# ---------------------------------------------------------------- setups and their levels
def reference_missing(factor: str, reference: str, taken: str) -> str:
    return (
        f"No measured strip has the reference level of {factor} ({reference}); {taken} takes its "
        "place."
    )


def never_changed(factor: str) -> str:
    return f"{factor} was the same on every measured strip and is left out."


def levels_missing(factor: str, levels: Sequence[str]) -> str:
    return f"No measured strip has {factor} at {', '.join(levels)}."


def setup_unrecorded(strips: Sequence[str]) -> str:
    return (
        "The setup is not recorded in full for these strips, which take no part: "
        f"{some_of(strips)}."
    )


def unmeasured(strips: Sequence[str], of: int) -> str:
    """Strips without a measurement of a response."""
    one = len(strips) == 1
    return (
        f"{len(strips)} of {of} strips {'has' if one else 'have'} no measurement of this response "
        f"and {'takes' if one else 'take'} no part in it ({some_of(strips)})."
    )


def not_crossed(one: str, other: str) -> str:
    return (
        f"Not all combinations of {one} and {other} were run; their effects are taken to multiply, "
        "without an interaction."
    )


def interactions_tangled() -> str:
    return (
        "The combinations that were run do not tell every interaction from the effect of another "
        "factor; effects are taken to multiply, and an interaction, if there is one, stands with "
        "them."
    )


def too_few_for_interactions() -> str:
    return "There are too few strips to estimate interactions; effects are taken to multiply."


def nothing_found(setups: Sequence[str]) -> str:
    """Combinations of setups under which nothing was found."""
    return (
        f"Nothing was found under {some_of(setups, 4)}: the interaction has no finite estimate "
        "there, so effects are taken to multiply; those strips stay in the model."
    )


# ---------------------------------------------------------------- strips that say little
def between_blocks(factor: str, blocks: int) -> str:
    return (
        f"{factor} changes only between blocks: no pair (block) compares its levels, so its effect "
        f"is judged against the difference between {blocks} blocks, not between strips side by "
        "side."
    )


def run_once(factor: str, level: str, strip: str) -> str:
    return (
        f"Only one measured strip ({strip}) has {factor} at {level}: what is said of it cannot be "
        "told from what is peculiar to that strip, and its interval rests on how strips of the "
        "other setups vary."
    )


def single_setup_pairs(pairs: Sequence[str], of: int) -> str:
    one = len(pairs) == 1
    return (
        f"{len(pairs)} of {of} pairs (blocks) {'has' if one else 'have'} strips of one setup only "
        f"({some_of(pairs)}). {'It stays' if one else 'They stay'} in the model, where such strips "
        "tell of the setups only through the difference between blocks."
    )


def single_setup_fields(fields: Sequence[str], of: int) -> str:
    return (
        f"{len(fields)} of {of} fields have one setup only ({some_of(fields)}): what they say of "
        "the setups is mixed with the difference between fields."
    )


# ---------------------------------------------------------------- what varies at random
def main_strips_unnamed() -> str:
    return "Some strips name no main strip; main strips are left out of the model."


def one_field() -> str:
    return "One field: the result speaks for this field; other fields may differ."


def one_measurement(row: str) -> str:
    return (
        f"One measurement per strip: strip and {row} variation cannot be told apart and stand "
        "together."
    )


def few_fields(fields: int) -> str:
    return (
        f"{fields} fields are too few to tell how a setup's effect varies between fields; the "
        "intervals speak for these fields."
    )


def effects_differ(fields: int) -> str:
    return (
        f"With {fields} fields the effect of a setup is allowed to differ from field to field, so "
        "the intervals speak for fields like these."
    )


def effects_with_strips() -> str:
    return (
        "Where a field has one strip per setup, the variation of the setup's effect between fields "
        "stands with that between strips."
    )


# ---------------------------------------------------------------- in refusals and tables
def unrepeated(strips: int) -> str:
    """Why nothing is repeated; `strips` is 0 where there is one pair alone."""
    if not strips:
        return "There is only one pair (block) of strips"
    return f"The {strips} measured strips leave no setup repeated"


def varies() -> str:
    """Heading of a column."""
    return "effect varies between fields"
