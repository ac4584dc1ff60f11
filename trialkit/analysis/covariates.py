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
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.facts import Note
from trialkit.quantities import number, scales

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
    """A covariate a trial may be adjusted for: column of the strips, its centred column, unit, the
    least range worth a degree of freedom, and its name in the settings."""

    column: str
    centred: str
    unit: str
    enough: float
    of_header: bool = False
    asked: str = ""


KNOWN = (
    Covariate("speed_measured", "speed_centred", "km/h", SPEED_RANGE, asked="speed"),
    Covariate("moisture", "moisture_centred", "points", MOISTURE_RANGE, asked="moisture"),
    Covariate("gap_adjusted", "gap_centred", "mm", GAP_RANGE, of_header=True, asked="gap"),
    Covariate(
        "gap_sd", "gap_spread_centred", "mm", SPREAD_RANGE, of_header=True, asked="gap_spread"
    ),
)

Against = list[Note] | None
"""What speaks against a covariate, in no note where it goes without saying; None for nothing."""


def choose_covariates(
    factors: Sequence[SetupFactor],
    strips: pd.DataFrame,
    interactions: Sequence[tuple[str, str]],
    why: list[Note],
    notes: list[Note],
    units: str = "SI",
    asked: Sequence[str] | None = None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What comparisons are adjusted for, and what only the second answer is; adds centred columns.

    Parameters
    ----------
    why, notes : list of Note
        Take the reasons for what is adjusted for, and for what is not.
    units : {"US", "SI"}
        Of amounts in notes.
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
    later: list[tuple[Covariate, dict[str, Any]]] = []
    if asked is not None:
        wished = tuple(c.centred for c in KNOWN if c.asked in asked)
        notes.append(Note("adjusting.asked_for", {"covariates": wished}))

    def add(covariate: Covariate, against: Against, chosen: list[str], reason: Note) -> None:
        values = strips[covariate.column].astype(float)
        if against is None:
            against = _no_room(
                covariate, values, strips, names, interactions, [*first, *after], chosen is after
            )
        if against is None:
            strips[covariate.centred] = values - values.mean()
            chosen.append(covariate.centred)
            why.append(reason)
        elif covariate.column != "gap_sd" or asked is not None:
            # What keeps the gap out is said once, not again of its spread.
            notes.extend(against)

    for covariate in KNOWN:
        wanted = asked is not None and covariate.asked in asked
        if not _given(covariate, strips):
            if wanted:
                values = {"covariate": covariate.centred, "of_header": covariate.of_header}
                notes.append(Note("adjusting.not_known", values))
            continue
        own = _after_setup(covariate, strips)
        if wanted:
            reason = _reason(covariate, strips, units, after_setup=own is not None)
            add(covariate, _against_asked(covariate, strips), first, reason)
        elif own is not None:
            later.append((covariate, own))
        elif asked is None:
            reason = _reason(covariate, strips, units)
            add(covariate, _against(covariate, strips, names, units), first, reason)
        elif not covariate.of_header:
            later.append((covariate, {"reason": "settings"}))
    for covariate, because in later:
        reach, centre = _shown_range(covariate, strips, units)
        values = {"covariate": covariate.centred, "reach": reach, "centre": centre, **because}
        against = _against(covariate, strips, names, units, second=True)
        add(covariate, against, after, Note("adjusting.second_answer", values))
    return tuple(first), tuple(after)


def _after_setup(covariate: Covariate, strips: pd.DataFrame) -> dict[str, Any] | None:
    """Why a covariate may follow from the setup (`adjusting.second_answer`); None where it was
    fixed before."""
    if covariate.of_header:
        return None
    if covariate.column == "speed_measured":
        return {"reason": "after the setup"}
    days = strips["harvested_at"].dt.normalize() if "harvested_at" in strips else None
    blocks = [strips["field"], strips["pair"]]
    several = strips.groupby(blocks)["field"].transform("size") > 1
    if days is None or days[several].isna().any():
        n = int(several.sum() if days is None else (days.isna() & several).sum())
        return {"reason": "days not known", "n": n, "of": len(strips)}
    apart = int((days.groupby(blocks).nunique() > 1).sum())
    if not apart:
        return None
    return {"reason": "several days", "n": apart, "of": strips.groupby(blocks).ngroups}


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
) -> Against:  # fmt: skip
    """Where the strips cannot tell the slope of one covariate more."""
    trial = strips.assign(**{covariate.centred: values - values.mean()})
    before = spare(trial, names, interactions, chosen)
    left = spare(trial, names, interactions, [*chosen, covariate.centred])
    own = {"covariate": covariate.centred}
    if covariate.of_header and left == before:
        return [Note("adjusting.follows_from_setups", own)]
    if left < SPARE_DF:
        return [Note("adjusting.too_few_strips", {**own, "second": second})]
    return None


def _against_asked(covariate: Covariate, strips: pd.DataFrame) -> Against:
    """What speaks against a covariate that the settings ask for: nothing that could be weighed."""
    values = strips[covariate.column].astype(float)
    if values.isna().any():
        return [_unrecorded(covariate, values, strips)]
    if float(values.max() - values.min()) < 1e-9:
        return [Note("adjusting.all_alike", {"covariate": covariate.centred})]
    return None


def _unrecorded(
    covariate: Covariate, values: pd.Series, strips: pd.DataFrame, second: bool = False
) -> Note:
    missing = {"missing": int(values.isna().sum()), "of": len(values)}
    if covariate.of_header:
        lacking = strips["gap_adjusted"].isna()
        reasons = tuple(dict.fromkeys(strips.loc[lacking, "gap_note"]))
        missing["missing"] = int(lacking.sum())
        return Note("adjusting.gap_partly_known", {**missing, "reasons": reasons})
    own = {"covariate": covariate.centred, "second": second}
    return Note("adjusting.partly_recorded", {**own, **missing})


def _against(
    covariate: Covariate, strips: pd.DataFrame, names: list[str], units: str, second: bool = False
) -> Against:
    """What speaks against adjusting."""
    values = strips[covariate.column].astype(float)
    own = {"covariate": covariate.centred}
    if values.isna().any():
        return [_unrecorded(covariate, values, strips, second)]
    spread = float(values.max() - values.min())
    if spread < covariate.enough:
        apart = {"apart": _shown(spread, "mm", units), "least": _shown(GAP_RANGE, "mm", units)}
        return [Note("adjusting.headers_alike", apart)] if covariate.of_header else []
    if covariate.column == "moisture" and strips["field"].nunique() < COVARIATE_FIELDS:
        reach = {"reach": _shown(spread, covariate.unit, units), "least": COVARIATE_FIELDS}
        return [Note("adjusting.on_few_fields", {**own, **reach})]
    whole = _squares(values, values.mean())
    setups = values.groupby([strips[name] for name in names]).transform("mean")
    if _squares(values, setups) < 0.5 * whole:
        return [Note("adjusting.went_with_setup", {**own, "second": second})]
    blocks = values.groupby([strips["field"], strips["pair"]]).transform("mean")
    if covariate.of_header and _squares(values, blocks) < WITHIN * whole:
        return [Note("adjusting.alike_in_pairs", own)]
    return None


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


def _reason(
    covariate: Covariate, strips: pd.DataFrame, units: str, after_setup: bool = False
) -> Note:
    reach, centre = _shown_range(covariate, strips, units)
    ends = {"reach": reach, "centre": centre}
    if not covariate.of_header:
        own = {"covariate": covariate.centred, "after_setup": after_setup}
        return Note("adjusting.adjusted", {**own, **ends})
    headers = {"headers": strips["header"].nunique(), **ends}
    if covariate.column == "gap_sd":
        return Note("adjusting.gap_spread_adjusted", headers)
    return Note("adjusting.gap_adjusted", headers)


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
