"""What a comparison of setups is adjusted for, what only the second answer is, and why.

A covariate goes by its centred column ("moisture_centred"); amounts come as text in the trial's own
unit ("4.2 km/h").
"""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import upper_first

LABELS = {
    "speed_centred": "ground speed",
    "moisture_centred": "grain moisture",
    "gap_centred": "stripper-plate gap measured on the header",
    "gap_spread_centred": "spread of the gap between the header's rows",
}
"""Centred column to the covariate in words."""
SHORT = {
    "speed_centred": "speed", "moisture_centred": "moisture", "gap_centred": "measured gap",
    "gap_spread_centred": "spread of the gap",
}  # fmt: skip
"""The same in a word or two."""


def _begins(covariate: str) -> str:
    return upper_first(LABELS[covariate])


def asked_for(covariates: Sequence[str]) -> str:
    """What the settings ask for."""
    what = "nothing that was measured"
    if covariates:
        what = f"{' and '.join(LABELS[c] for c in covariates)}, and for nothing else"
    return f"The trial's settings ask that comparisons be adjusted for {what}."


def not_known(covariate: str, of_header: bool) -> str:
    so = "is not known by header" if of_header else "was not recorded"
    return f"{_begins(covariate)} {so}, so it is not adjusted for."


# ---------------------------------------------------------------- what speaks against it
def follows_from_setups(covariate: str) -> str:
    return (
        f"{_begins(covariate)} follows from the setups and the pairs (blocks) they were run in, so "
        "it cannot be told from them and is not adjusted for."
    )


def too_few_strips(covariate: str, second: bool) -> str:
    what = "compare setups at the same" if second else "adjust for"
    return f"There are too few strips to {what} {LABELS[covariate]}."


def all_alike(covariate: str) -> str:
    return f"{_begins(covariate)} was the same on every strip; there is nothing to adjust for."


def partly_recorded(covariate: str, missing: int, of: int, second: bool) -> str:
    how = "compared without adjusting for it"
    if second:
        how = f"not compared at the same {LABELS[covariate]} as well"
    return (
        f"{_begins(covariate)} was not recorded on {missing} of {of} strips, so setups are {how}; "
        "all of these strips are in the comparison."
    )


def gap_partly_known(missing: int, of: int, reasons: Sequence[str]) -> str:
    return (
        f"Several headers ran the strips, and the measured gap is not known for {missing} of {of} "
        f"strips ({'; '.join(reasons)}), so setups are compared without adjusting for it; all of "
        "these strips are in the comparison."
    )


def headers_alike(apart: str, least: str) -> str:
    return (
        f"The measured gaps of the headers that ran the strips differ by {apart}, less than "
        f"{least}; a gauge and the rows of one header differ by as much, so it is not adjusted for."
    )


def on_few_fields(covariate: str, reach: str, least: int) -> str:
    return (
        f"{_begins(covariate)} ranges over {reach} but on fewer than {least} fields; it is not "
        "adjusted for."
    )


def went_with_setup(covariate: str, second: bool) -> str:
    more = ""
    if second:
        more = "; within a setup it varied too little for a second answer at one and the same value"
    return (
        f"{_begins(covariate)} was set by the setups or went with them, so what it does is part of "
        f"their effects and is not adjusted for{more}."
    )


def alike_in_pairs(covariate: str) -> str:
    return (
        f"{_begins(covariate)} hardly differs inside a pair (block), so setups were compared under "
        "the same gap; it is not adjusted for."
    )


# ---------------------------------------------------------------- why it is adjusted for
def adjusted(covariate: str, reach: str, centre: str, after_setup: bool = False) -> str:
    """Why comparisons are made at its mean; and what that means where it came after the setup."""
    part = ""
    if after_setup:
        part = (
            " It was measured after the setup had acted, so the comparison is not the whole effect "
            "of choosing a setup."
        )
    return (
        f"{LABELS[covariate].capitalize()} was measured on every strip and ranged over {reach}, so "
        f"setups are compared at its mean, {centre}.{part}"
    )


def gap_spread_adjusted(headers: int, reach: str, centre: str) -> str:
    return (
        f"The {headers} headers also differed by {reach} in the spread of the gap between their "
        f"rows, and setups are compared at its mean, {centre}."
    )


def gap_adjusted(headers: int, reach: str, centre: str) -> str:
    beside = "the two headers differ by" if headers == 2 else "goes with a header's gap"
    return (
        f"The strips were run by {headers} headers, and their measured gaps, beside what the "
        f"setups set, lie up to {reach} apart, so setups are compared at one gap, {centre}; what "
        f"else {beside} is taken off with it."
    )


# ---------------------------------------------------------------- why only the second answer is
def second_answer(
    covariate: str, reach: str, centre: str, reason: str, n: int = 0, of: int = 0
) -> str:
    """Why setups are compared at its mean in the second answer only.

    Parameters
    ----------
    reason : {"after the setup", "days not known", "several days", "settings"}
    n, of : int
        Strips whose day is not known, or pairs cut on several days, of so many.
    """
    return (
        f"{_begins(covariate)} ranged over {reach}. {_REASONS[reason].format(n=n, of=of)} The "
        f"comparison is not adjusted for it; a second answer compares setups at its mean, {centre}."
    )


_REASONS = {
    "after the setup": "It was measured after the setup had acted, so what it does is part of the "
    "effect.",
    "days not known": "The day of cutting is not known of {n} of {of} strips; strips of one "
    "pair (block) are then taken to have been cut on different days, so moisture may follow from "
    "when a setup was run. Fill in harvested_at to have it adjusted for where they were not.",
    "several days": "In {n} of {of} pairs (blocks) strips were cut on different days, so "
    "moisture may follow from when a setup was run.",
    "settings": "The settings leave it out of the comparison itself.",
}
