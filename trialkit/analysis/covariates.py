"""Measured ground speed, grain moisture and gap: where a trial can adjust for them.

A comparison of setups is the whole effect of choosing one, so it is adjusted only for what was
fixed before the setup was applied: what a setup changes on its way, such as the speed it lets an
operator drive, is part of its effect, and taking it off would leave a part of the effect only
(Rosenbaum 1984, J. R. Stat. Soc. A 147:656-666). Ground speed is therefore never in it. Grain
moisture is where the strips of every pair (block) were cut on one day. What was measured after
stands in a second, labelled answer (`at_same`). The trial's settings may ask otherwise.

The gap is the header's own. One header alone runs every strip with the same rows, so there is
nothing to adjust; where several took part, what they read apart though set alike is a difference
between strips that the setups did not make. What a setup's own setting does stays in its effect
(`gaps`). Headers set alike differ in more than their gap, and with two headers nothing tells the
one from the other: the slope then is that of the header, whatever the millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.quantities import number, scales, upper_first

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor

# Common practice: smaller spreads say nothing about the covariate and cost a degree of freedom.
SPEED_RANGE = 1.0  # km/h
MOISTURE_RANGE = 1.0  # points
# A gauge reads to about 1 mm, and rows of one sound header differ by as much.
GAP_RANGE = 2.0  # mm
SPREAD_RANGE = 1.0  # mm
COVARIATE_FIELDS = 3
SPARE_DF = 3
# Share of the gap's variation that must lie inside pairs (blocks), where setups are compared.
WITHIN = 0.1


@dataclass(frozen=True, slots=True)
class Covariate:
    """A covariate a trial may be adjusted for: column of the strips, its centred column, words,
    unit, the least range worth a degree of freedom, and its name in the settings."""

    column: str
    centred: str
    label: str
    unit: str
    enough: float
    of_header: bool = False
    asked: str = ""

    @property
    def begins(self) -> str:
        """Its words at the beginning of a sentence."""
        return upper_first(self.label)


KNOWN = (
    Covariate("speed_measured", "speed_centred", "ground speed", "km/h", SPEED_RANGE,
              asked="speed"),
    Covariate("moisture", "moisture_centred", "grain moisture", "points", MOISTURE_RANGE,
              asked="moisture"),
    Covariate(
        "gap_adjusted", "gap_centred", "stripper-plate gap measured on the header", "mm",
        GAP_RANGE, of_header=True, asked="gap",
    ),
    Covariate(
        "gap_sd", "gap_spread_centred", "spread of the gap between the header's rows", "mm",
        SPREAD_RANGE, of_header=True, asked="gap_spread",
    ),
)  # fmt: skip
WORDS = {own.centred: own.label for own in KNOWN}
"""Centred column to the covariate in words."""
SHORT = {
    "speed_centred": "speed", "moisture_centred": "moisture", "gap_centred": "measured gap",
    "gap_spread_centred": "spread of the gap",
}  # fmt: skip
"""The same in a word or two."""


def choose_covariates(
    factors: Sequence[SetupFactor],
    strips: pd.DataFrame,
    interactions: Sequence[tuple[str, str]],
    why: list[str],
    notes: list[str],
    units: str = "SI",
    asked: Sequence[str] | None = None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What comparisons are adjusted for, and what only the second answer is; adds centred columns.

    Parameters
    ----------
    asked : sequence of str, optional
        Names of `trialkit.intake.config.ADJUSTABLE` that the settings ask for; the rules of the
        first answer are then theirs, except where the strips cannot tell a slope.

    Returns
    -------
    first, after : tuple of str
        Centred columns of the comparison, and those that `at_same` adds.
    """
    names = [f.name for f in factors]
    first: list[str] = []
    after: list[str] = []
    later: list[tuple[Covariate, str]] = []
    if asked is not None:
        notes.append(_of_settings(asked))

    def add(covariate: Covariate, against: str | None, chosen: list[str], told: str) -> None:
        values = strips[covariate.column].astype(float)
        if against is None:
            against = _no_room(
                covariate, values, strips, names, interactions, [*first, *after], chosen is after
            )
        if against is None:
            strips[covariate.centred] = values - values.mean()
            chosen.append(covariate.centred)
            why.append(told)
        elif against and (covariate.column != "gap_sd" or asked is not None):
            # What keeps the gap out is said once, not again of its spread.
            notes.append(against)

    for covariate in KNOWN:
        wanted = asked is not None and covariate.asked in asked
        if not _given(covariate, strips):
            if wanted:
                so = "is not known by header" if covariate.of_header else "was not recorded"
                notes.append(f"{covariate.begins} {so}, so it is not adjusted for.")
            continue
        own = _after_setup(covariate, strips)
        if wanted:
            told = _reason(covariate, strips, units) + (_PART if own else "")
            add(covariate, _against_asked(covariate, strips), first, told)
        elif own:
            later.append((covariate, own))
        elif asked is None:
            told = _reason(covariate, strips, units)
            add(covariate, _against(covariate, strips, names, units), first, told)
        elif not covariate.of_header:
            later.append((covariate, "The settings leave it out of the comparison itself."))
    for covariate, reason in later:
        told = _second(covariate, reason, strips, units)
        add(covariate, _against(covariate, strips, names, units, second=True), after, told)
    return tuple(first), tuple(after)


_PART = (
    " It was measured after the setup had acted, so the comparison is not the whole effect of "
    "choosing a setup."
)


def _of_settings(asked: Sequence[str]) -> str:
    wanted = [c.label for c in KNOWN if c.asked in asked]
    what = "nothing that was measured"
    if wanted:
        what = f"{' and '.join(wanted)}, and for nothing else"
    return f"The trial's settings ask that comparisons be adjusted for {what}."


def _after_setup(covariate: Covariate, strips: pd.DataFrame) -> str:
    """Why a covariate may follow from the setup; "" where it was fixed before."""
    if covariate.of_header:
        return ""
    if covariate.column == "speed_measured":
        return "It was measured after the setup had acted, so what it does is part of the effect."
    days = strips["harvested_at"].dt.normalize() if "harvested_at" in strips else None
    blocks = [strips["field"], strips["pair"]]
    several = strips.groupby(blocks)["field"].transform("size") > 1
    if days is None or days[several].isna().any():
        n = int(several.sum() if days is None else (days.isna() & several).sum())
        return (
            f"The day of cutting is not known of {n} of {len(strips)} strips; strips of one pair "
            "(block) are then taken to have been cut on different days, so moisture may follow "
            "from when a setup was run. Fill in harvested_at to have it adjusted for where they "
            "were not."
        )
    apart = int((days.groupby(blocks).nunique() > 1).sum())
    if not apart:
        return ""
    return (
        f"In {apart} of {strips.groupby(blocks).ngroups} pairs (blocks) strips were cut on "
        "different days, so moisture may follow from when a setup was run."
    )


def _second(covariate: Covariate, reason: str, strips: pd.DataFrame, units: str) -> str:
    own, centre = _shown_range(covariate, strips, units)
    return (
        f"{covariate.begins} ranged over {own}. {reason} The comparison is not adjusted for it; a "
        f"second answer compares setups at its mean, {centre}."
    )


def _given(covariate: Covariate, strips: pd.DataFrame) -> bool:
    """Whether anything was recorded; what belongs to a header only where several ran the strips."""
    if not covariate.of_header:
        return bool(strips[covariate.column].notna().any())
    if covariate.column not in strips or strips["header"].nunique() < 2:
        return False
    return bool(strips["gap_sd"].notna().any())


def _no_room(
    covariate: Covariate, values: pd.Series, strips: pd.DataFrame, names: list[str],
    interactions: Sequence[tuple[str, str]], chosen: list[str], second: bool,
) -> str | None:  # fmt: skip
    """A note where the strips cannot tell the slope of one covariate more."""
    trial = strips.assign(**{covariate.centred: values - values.mean()})
    before = spare(trial, names, interactions, chosen)
    left = spare(trial, names, interactions, [*chosen, covariate.centred])
    if covariate.of_header and left == before:
        return (
            f"{covariate.begins} follows from the setups and the pairs (blocks) they were "
            "run in, so it cannot be told from them and is not adjusted for."
        )
    if left < SPARE_DF:
        what = "compare setups at the same" if second else "adjust for"
        return f"There are too few strips to {what} {covariate.label}."
    return None


def _against_asked(covariate: Covariate, strips: pd.DataFrame) -> str | None:
    """What speaks against a covariate that the settings ask for: nothing that could be weighed."""
    values = strips[covariate.column].astype(float)
    if values.isna().any():
        return _unrecorded(covariate, values, strips)
    if float(values.max() - values.min()) < 1e-9:
        return f"{covariate.begins} was the same on every strip; there is nothing to adjust for."
    return None


def _unrecorded(
    covariate: Covariate, values: pd.Series, strips: pd.DataFrame, second: bool = False
) -> str:
    if covariate.of_header:
        return _unknown_gap(strips)
    how = "compared without adjusting for it"
    if second:
        how = f"not compared at the same {covariate.label} as well"
    return (
        f"{covariate.begins} was not recorded on {int(values.isna().sum())} of "
        f"{len(values)} strips, so setups are {how}; all of these strips are in the comparison."
    )


def _against(
    covariate: Covariate, strips: pd.DataFrame, names: list[str], units: str, second: bool = False
) -> str | None:
    """What speaks against adjusting: a note, empty where it goes without saying; else None."""
    values = strips[covariate.column].astype(float)
    if values.isna().any():
        return _unrecorded(covariate, values, strips, second)
    spread = float(values.max() - values.min())
    if spread < covariate.enough:
        if not covariate.of_header:
            return ""
        return (
            f"The headers that ran the strips differ by {_shown(spread, 'mm', units)} in "
            f"measured gap, less than {_shown(GAP_RANGE, 'mm', units)}, which a gauge and "
            "the rows of one header differ by too; it is not adjusted for."
        )
    if covariate.column == "moisture" and strips["field"].nunique() < COVARIATE_FIELDS:
        return (
            f"{covariate.begins} ranges over {spread:.1f} points but on fewer than "
            f"{COVARIATE_FIELDS} fields; it is not adjusted for."
        )
    whole = _squares(values, values.mean())
    setups = values.groupby([strips[name] for name in names]).transform("mean")
    if _squares(values, setups) < 0.5 * whole:
        return (
            f"{covariate.begins} went with the setup, so what it does is part of "
            "the setup's effect and is not adjusted for"
            + (f", nor is there enough left to compare setups at the same {covariate.label}."
               if second else ".")
        )  # fmt: skip
    blocks = values.groupby([strips["field"], strips["pair"]]).transform("mean")
    if covariate.of_header and _squares(values, blocks) < WITHIN * whole:
        return (
            f"{covariate.begins} hardly differs inside a pair (block), so setups were compared "
            "under the same gap; it is not adjusted for."
        )
    return None


def _unknown_gap(strips: pd.DataFrame) -> str:
    lacking = strips["gap_adjusted"].isna()
    reasons = "; ".join(dict.fromkeys(strips.loc[lacking, "gap_note"]))
    return (
        f"Several headers ran the strips, and the measured gap is not known for "
        f"{int(lacking.sum())} of {len(strips)} strips ({reasons}), so setups are compared without "
        "adjusting for it; all of these strips are in the comparison."
    )


def _squares(values: pd.Series, about: pd.Series | float) -> float:
    return float(((values - about) ** 2).sum())


def _shown(value: float, unit: str, units: str) -> str:
    """A value of the tables in the trial's own unit."""
    own = scales(unit, units)[0]
    places = 2 if own.unit == "in" else 1
    return f"{number(value * own.factor, places)} {own.unit}"


def _shown_range(covariate: Covariate, strips: pd.DataFrame, units: str) -> tuple[str, str]:
    """Range and mean in the trial's own unit."""
    values = strips[covariate.column].astype(float)
    reach = _shown(float(values.max() - values.min()), covariate.unit, units)
    unit = "%" if covariate.unit == "points" else covariate.unit
    return reach, _shown(float(values.mean()), unit, units)


def _reason(covariate: Covariate, strips: pd.DataFrame, units: str) -> str:
    reach, centre = _shown_range(covariate, strips, units)
    if not covariate.of_header:
        return (
            f"{covariate.label.capitalize()} was measured on every strip and ranged over {reach}, "
            f"so setups are compared at its mean, {centre}."
        )
    headers = strips["header"].nunique()
    if covariate.column == "gap_sd":
        return (
            f"The {headers} headers also differed by {reach} in the spread of the gap between "
            f"their rows, and setups are compared at its mean, {centre}."
        )
    beside = "the two headers differ by" if headers == 2 else "goes with a header's gap"
    return (
        f"The strips were run by {headers} headers, and their measured gaps, beside what the "
        f"setups set, lie up to {reach} apart, so setups are compared at one gap, {centre}; what "
        f"else {beside} is taken off with it."
    )


def spare(
    strips: pd.DataFrame,
    names: Sequence[str],
    interactions: Sequence[tuple[str, str]],
    covariates: Sequence[str] = (),
) -> int:
    """Strips less the rank of setups, covariates and blocks together."""
    columns = [pd.get_dummies(strips[name]) for name in names]
    columns += [pd.get_dummies(joined(strips, pair)) for pair in interactions]
    columns += [strips[[name]] for name in covariates]
    return spare_within(strips, ["field", "pair"], columns)


def spare_within(
    units: pd.DataFrame, groups: Sequence[str], columns: Sequence[pd.DataFrame]
) -> int:
    """Rows less the rank of `columns` and indicators of `groups` (or a constant) together."""
    matrix = pd.DataFrame(np.hstack(columns).astype(float), index=units.index)
    group = joined(units, groups) if groups else pd.Series("", index=units.index)
    within = matrix - matrix.groupby(group).transform("mean")
    return len(units) - group.nunique() - int(np.linalg.matrix_rank(within.to_numpy(), tol=1e-8))


def joined(strips: pd.DataFrame, names: Sequence[str]) -> pd.Series:
    """One label for every combination of the columns."""
    return strips[list(names)].astype(str).agg("\0".join, axis=1)
