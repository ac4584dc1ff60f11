"""The model of a response in words, why it was chosen, and what is to be known of it.

Units come as a result has them ("kg/ha"); `system` is the trial's own, "US" or "SI".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from trialkit.display import number, significant
from trialkit.quantities import scales, upper_first
from trialkit.words import design
from trialkit.words.adjusting import SHORT
from trialkit.words.columns import COLUMNS, called
from trialkit.words.counts import plural, some_of

LEVELS = {
    "field": "field",
    "pair": "pair (block)",
    "main_strip": "main strip",
    "strip": "strip",
    "zone": "zone within strip",
}
"""Levels of a layout in words; a row is called what its response calls it."""


# ---------------------------------------------------------------- the model
def fixed_effects(
    factors: Sequence[str], interactions: Sequence[tuple[str, str]], covariates: Sequence[str],
    zones: bool = False,
) -> str:  # fmt: skip
    """Fixed effects in a list; factors by their labels."""
    fixed = [*factors, *(f"{one} by {other}" for one, other in interactions)]
    if zones:
        fixed += ["zone", *(f"{words} by zone" for words in fixed)]
    return ", ".join([*fixed, *(SHORT[c] for c in covariates)])


def in_words(
    layout: Mapping[str, Any], rows: int, row: str, strips: int, distribution: str,
    factors: Sequence[str], interactions: Sequence[tuple[str, str]], covariates: Sequence[str],
    zones: bool,
    nested: Sequence[str], zone_variances: bool, varies_by_field: bool, gaussian: bool,
    integrated: Sequence[tuple[str, str]], prior: float, method: str,
    bounded: Sequence[tuple[str, int]],
) -> str:  # fmt: skip
    """A response's model.

    Parameters
    ----------
    layout : mapping
        Arguments of `design.layout`.
    rows, strips : int
    row : str
        What a row is called.
    nested : sequence of str
        Random levels coarse to fine, by the keys of `LEVELS`.
    zone_variances, varies_by_field : bool
        Whether rows have a variance in each zone, and a setup's effect one between fields.
    integrated : sequence of (str, str)
        Factors whose comparisons integrate over the spread of their error, and between what.
    prior : float
        Scale of the prior of that spread.
    method : str
        Of the degrees of freedom of the others.
    bounded : sequence of (str, int)
        The others and the degrees of freedom of the layout.
    """
    random = [LEVELS.get(level, level) for level in nested]
    if zone_variances:
        random[-1] += " with a variance in each zone"
    if varies_by_field:
        random[1:1] = ["setup by field", *(["zone by field"] if zones else [])]
    size = f"{strips} strips"
    if row != "strip":
        size = f"{rows} {plural(row)} of {size}"
    effects = f"normal effects of {', '.join(random)}; " if random else ""
    likelihood = "restricted Laplace likelihood"
    if gaussian:
        likelihood = "restricted likelihood"
        effects += f"normal variation between {plural(row)}; "
    judged = []
    if integrated:
        units = ", ".join(f"{factor} between {units}" for factor, units in integrated)
        judged.append(
            f"comparisons integrate over the spread of their error ({units}; prior flat below "
            f"{prior:g}, as one over the spread above)"
        )
    if bounded:
        dfs = ", ".join(f"{factor} {df}" for factor, df in bounded)
        judged.append(f"degrees of freedom by {method}, at most those of the layout ({dfs})")
    return (
        f"{upper_first(design.layout(**layout))}, {size}; {distribution}; fixed effects of "
        f"{fixed_effects(factors, interactions, covariates, zones)}; {effects}{likelihood}, "
        f"{'; '.join(judged)}."
    )


def compared_between(row: str, in_blocks: bool, gaussian: bool, main: Sequence[str] | None) -> str:
    """What setups are compared between, and what rows are taken for.

    Parameters
    ----------
    main : sequence of str or None
        Factors that change between main strips only; None where there are no main strips.
    """
    where = "strips of one block" if in_blocks else "strips"
    text = f"Setups are compared between {where}; "
    if row == "strip":
        text += "a strip is one value."
    else:
        text += f"{plural(row)} are sub-samples of a strip, not replicates of a setup"
        if not gaussian:
            text += f", and an effect of each {row} lets counts vary more than chance alone"
        text += "."
    if main is not None:
        text += (
            f" {', '.join(main) or 'One factor'} changes between main strips only, so it is judged "
            "against the variation of main strips."
        )
    return text


# ---------------------------------------------------------------- a model without its finer parts
def without_interactions(what: str, add: bool) -> str:
    return (
        "The model with interactions, or with effects that differ between fields, could not be "
        f"fitted to these {what}; effects are taken to {'add' if add else 'multiply'} and to be "
        "the same in every field."
    )


def without_pairs(what: str) -> str:
    return (
        f"The model with an effect of each pair could not be fitted to these {what}; pairs are "
        "left out, and what they differ by widens the intervals."
    )


# ---------------------------------------------------------------- what is to be known of it
def left_out(rows: int, what: str) -> str:
    return f"{rows} {what} take no part here."


def no_ratio(label: str, reference: str) -> str:
    return (
        f"{label} against {reference}: a mean is too near zero for a ratio to be given; the "
        "difference stands."
    )


def half_of_the_least(samples: int, row: str, thing: str, grams: float) -> str:
    """Samples in which nothing could be weighed."""
    return (
        f"{samples} {plural(row)} held no {thing} that could be weighed; half of the least mass "
        f"weighed, {grams:g} g, stands in their place."
    )


def far_from_strips(means: Sequence[tuple[str, float, float]], unit: str, system: str) -> str:
    """A model's means beside the plain means of the strips, in the result's unit."""
    own = scales(unit, system)[0]
    far = "; ".join(
        f"{label}: {significant(own.factor * model)} against {significant(own.factor * plain)}"
        for label, model, plain in means
    )
    return (
        f"The model's mean is far from the plain mean of the strips ({far} {own.unit}): these "
        "counts do not follow the model, which takes logarithms of strips to vary alike under "
        "every setup. Read the strips' own values instead."
    )


def below_zero(title: str, labels: Sequence[str]) -> str:
    return (
        f"{title} comes out below zero under {some_of(labels)}: more was counted where less should "
        "lie. It is reported as measured; look for zones mixed up, or count more. Differences "
        "between setups stand."
    )


def ranks_tell_nothing(blocks: int) -> str:
    none = "no block holds" if blocks == 0 else "only one block holds"
    return (
        f"Ranks of the readings tell nothing for every setup (p_rank missing, or 1): {none} both "
        "of a pair of setups to be compared."
    )


def ranks_compared(blocks: int, least: float | None) -> str:
    """The test of ranks; `least` is the smallest p it can have where all signs were counted."""
    begin = f"Ranks of the readings were compared within {blocks} blocks (p_rank, "
    if least is None:
        return f"{begin}signs drawn)."
    return (
        f"{begin}all changes of sign counted); with so many blocks it cannot fall below "
        f"{significant(least, 2)}."
    )


# ---------------------------------------------------------------- what lay there before
def no_preharvest(row: str, loss: str) -> str:
    return (
        f"There are no preharvest {plural(row)}: the {loss} contains what lay on the ground before "
        "harvest, so ratios lie nearer to 1 than they should; differences stand."
    )


def preharvest_taken_off(
    rows: int, row: str, value: float, se: float, unit: str, system: str, pooled: str = ""
) -> str:
    """What was taken off every setup, in the result's unit.

    Parameters
    ----------
    pooled : str
        Why it is the pooled count: "so few", the message of a model that could not be fitted, or
        "" where it is a model's.
    """
    own = scales(unit, system)[0]
    places = {"kg/ha": 1, "bu/ac": 2}.get(own.unit, 0)
    found, error = (number(own.factor * v, places) for v in (value, se))
    why = f" It is the pooled count; a model of it could not be fitted: {pooled}" if pooled else ""
    if pooled == "so few":
        why = " It is the pooled count; so few were found that no model of it holds."
    return (
        f"Preharvest loss from {rows} {plural(row)}: {found} {own.unit} (standard error {error}) "
        f"is taken off every setup alike.{why}"
    )


def fields_without_preharvest(fields: Sequence[str], of: int, row: str) -> str:
    return (
        f"{len(fields)} of {of} fields have no preharvest {plural(row)} ({some_of(fields)}): they "
        "are taken to have lost as much before harvest as the others. Means and ratios rest on "
        "that; differences do not."
    )


# ---------------------------------------------------------------- said elsewhere
def as_written(text: str) -> str:
    """What the record of a response says itself."""
    return text


def of_the_engine(note: str) -> str:
    """A short note of the engine as a sentence; units that are columns by what they are called."""
    for name in COLUMNS:
        note = note.replace(f"'{name}'", f"'{called(name)}'")
    return f"{note[:1].upper()}{note[1:].rstrip('.')}."


def zero_variance(note: str) -> str:
    """The engine's note on a variance of zero, which the table of variances shows too."""
    return of_the_engine(note)


def fitting(response: str) -> str:
    """What is being done, while it is."""
    return f"{response.replace('_', ' ').capitalize()}: choosing and fitting the model"


def none_fitted(title: str, why: str, still: str) -> str:
    """Why a response was not analysed."""
    return f"{title}: no model could be fitted ({why}). {still}"


def broke_off(title: str, kind: str, why: str, still: str) -> str:
    return (
        f"{title}: the analysis broke off with an error that was not foreseen ({kind}: "
        f"{why or 'no more is known'}). Please report it with these words. {still}"
    )


# ---------------------------------------------------------------- of the whole trial
def strips_refused(rows: int, file: str, line: int, column: str, value: str, expected: str) -> str:
    """Strips that never reached the trial; no analysis can name them."""
    one = rows == 1
    return (
        f"{rows} {'row' if one else 'rows'} of {file} {'was' if one else 'were'} refused when the "
        f"trial was read (first: line {line}, {called(column)} {value!r}; expected {expected}). "
        "Strips named there, and what was measured on them, take no part in any comparison."
    )


def strips_lack(
    cells: int, file: str, line: int, column: str, value: str, expected: str, dated: bool
) -> str:
    """Cells of strips that were refused; `dated` where dates of harvest are among them."""
    one = cells == 1
    also = "; a strip of another season does not belong to this trial" if dated else ""
    what = "cell" if one else "cells"
    return (
        f"{cells} {what} of {file} could not be used (first: line {line}, {called(column)} "
        f"{value!r}; expected {expected}). "
        f"The strips stay in the comparison without {'it' if one else 'them'}{also}."
    )


def several_years(strips: Sequence[tuple[int, int]]) -> str:
    """A trial of several years; `strips` has each year and its strips."""
    counts = ", ".join(f"{year}: {count}" for year, count in strips)
    return (
        f"Strips were harvested in {len(strips)} years ({counts} strips). The model has no effect "
        "of the year: what years differ by stands with the difference between fields or blocks. "
        "Keep each season as a trial of its own, and compare them with trialkit.compare."
    )


# ---------------------------------------------------------------- the cards
def in_brackets(level: float) -> str:
    return f"{100 * level:g} % intervals in brackets."


def how_to_read(level: float, adjusted_within: str) -> str:
    return (
        f"{in_brackets(level)} Differences are the level less its reference, ratios the level over "
        f"it; p adjusted {adjusted_within}."
    )
