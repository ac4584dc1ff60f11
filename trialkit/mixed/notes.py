"""Every sentence the engine says of a fit, as functions of plain values.

Exception messages stand where they are raised; only those that more than one place raises are
here. Names of columns, levels and responses come in quotes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

# What the dispersion parameter of a family is.
DISPERSIONS = {
    "gaussian": "residual standard deviation",
    "negative_binomial": "size",
    "beta_binomial": "precision",
    "gamma": "squared coefficient of variation",
}
# Below this two-sided p a check says that the model is doubtful.
DOUBT = 0.05
_VARIANCE_OF, _IS_ZERO = "the variance between units of", "is estimated at zero."
STOPPED = ("gradient zero", "no further gain at machine precision", "iteration limit reached",
           "line search failed", "the start cannot be evaluated")  # fmt: skip
"""Why a search stopped: at its end, as good as there, or without one."""
NO_VARIATION = "the fixed part reproduces the response exactly; no variation left."


# ------------------------------------------------------------------ partitions
def needs_rows(question: str) -> str:
    return (
        f"a fit of partitions keeps no rows and cannot answer {question}; fit the rows of interest "
        f"as one frame."
    )


# ------------------------------------------------------------------ the design
def rows_left_out(dropped: int, rows: int) -> str:
    return f"{dropped} of {rows} rows have missing values and were left out."


def columns_dropped(names: Sequence[str]) -> str:
    return f"aliased with earlier columns and dropped: {', '.join(names)}."


def separated(names: str, several: bool, response: str, zeros: int, full: int) -> str:
    """Terms under which every value is at an end: they have no finite estimate."""
    verb = "together separate" if several else "separates"
    if zeros and full:
        what = f"{zeros} rows in which {response!r} is zero from {full} in which it is full"
    else:
        what = f"out {zeros + full} rows in which every {response!r} is {end(zeros > 0)}"
    return (
        f"{names} {verb} {what}: the model has no finite estimate. Leave out or coarsen {names}, "
        f"pool levels, or count more."
    )


def end(zero: bool) -> str:
    """The end of its range that a value is at."""
    return "zero" if zero else "as large as its trials"


def units_in_fixed(level: str, units: int) -> str:
    return (
        f"the fixed part already has an effect for each of the {units} units of {level!r}, "
        f"so their variance cannot be estimated; leave {level!r} out of the random or of "
        f"the fixed effects."
    )


def all_at_ends(response: str, family: str) -> str:
    return (
        f"every row of {response!r} is all zero or all successes, so the precision "
        f"of family {family!r} runs to zero; take each row as a single trial "
        f"with family 'binomial'."
    )


def single_label(factor: str) -> str:
    return f"{factor!r} has a single label: its variance cannot be estimated, left out."


def one_row_each(level: str, units: int, effects: int, rows: int, crossed: bool) -> str:
    """A level whose effects are as many as the rows."""
    what = f"every {'label' if crossed else 'unit'} of {level!r} has one row"
    place = f"it out of {'crossed' if crossed else 'nested'}"
    if effects > 1:
        what = f"the {units} units of {level!r} have {effects} effects each for {rows} rows in all"
        place = "slopes of that level out"
    return f"{what}, so their variance cannot be told from the residual; leave {place}."


def single_unit(level: str, slopes: Sequence[str]) -> str:
    own = f" and its slopes of {', '.join(slopes)}" if slopes else ""
    return f"{level!r} has a single unit: its variance{own} cannot be estimated, left out."


def nested_after_all(factor: str, level: str) -> str:
    inside = f"every label of {factor!r} lies in one unit of {level!r}"
    return f"{inside}: it is nested there, not crossed."


def constant_within_units(variable: str, level: str) -> str:
    return (
        f"{variable!r} is constant within every unit of {level!r}: its slopes, and their "
        f"correlation with the intercepts, are hardly told apart from the intercepts."
    )


def scores_not_read(scores: Sequence[Any]) -> str:
    what = "score" if len(scores) == 1 else "scores"
    return (
        f"no reading has the {what} {', '.join(map(str, scores))}; the model knows the others "
        f"only, in their order."
    )


# ------------------------------------------------------------------ the estimates
def tells_zero_variance(note: str) -> bool:
    """Whether a note is one of `zero_variance`."""
    return note.startswith(_VARIANCE_OF) and note.endswith(_IS_ZERO)


def zero_variance(level: str, term: str = "Intercept") -> str:
    of_term = "" if term == "Intercept" else f" ({term})"
    return f"{_VARIANCE_OF} {level!r}{of_term} {_IS_ZERO}"


def correlation_at_one(level: str, terms: Sequence[str], sign: float) -> str:
    """For two random columns, the intercept first; for more, no pair is to blame."""
    if len(terms) > 2:
        return f"effects by {level!r} are estimated at a correlation of one."
    which = f"the correlation of {terms[1]} with the intercept by {level!r}"
    return f"{which} is estimated at {sign:+.0f}."


def spread_beyond_logits(level: str, sd: float) -> str:
    return (
        f"the standard deviation by {level!r}, {sd:.2g} on the logit scale, is beyond what the "
        f"approximation can tell: units are nearly all zero or all successes. Take one row for "
        f"each unit instead."
    )


def no_more_than_chance(plain_family: str, spread: str) -> str:
    return (
        f"no more spread than that of {plain_family} counts was found ({spread}): family "
        f"{plain_family!r} does as well."
    )


def second_optimum(best: Mapping[str, str], other: Mapping[str, str], lower: float) -> str:
    """``best`` and ``other`` are the standard deviations by level, ``lower`` a log-likelihood."""
    names = [n for n in best if best[n] != other[n]]
    here, there = (", ".join(f"{n} {p[n]}" for n in names) for p in (best, other))
    return (
        f"a second set of standard deviations fits nearly as well: {there} instead of {here} "
        f"(its log-likelihood is {lower:.2g} lower). Estimates and tests are those of the better "
        f"set."
    )


# ------------------------------------------------------------------ no estimates
def no_residual(response: str, finest: str) -> str:
    return (
        f"within the units of {finest!r} {response!r} does not vary beyond the fixed part, so no "
        f"residual is left to estimate; take one row for each unit and leave {finest!r} out."
    )


def did_not_converge(response: str, reasons: Sequence[str], because: str = "") -> str:
    """``because`` is the cause where it is known; otherwise there are things to try."""
    failed = f"the model for {response!r} did not converge"
    if because:
        return f"{failed}: {because}"
    why = "; ".join(sorted(set(reasons))) or "no start could be evaluated"
    return (
        f"{failed} ({why}). Things to try: look for extreme values in the response, leave out a "
        f"nested level with few units, use fewer fixed terms, or rescale covariates that span many "
        f"orders of magnitude."
    )


def units_alike(alike: int, units: int, finest: str) -> str:
    return (
        f"{alike} of {units} units of {finest!r} are all zero or all successes, so the variance "
        f"between units has no finite estimate. Take one row for each unit and leave {finest!r} "
        f"out, or count more in each."
    )


# ------------------------------------------------------------------ checks
def doubt(p: float) -> str:
    return "the model is doubtful." if p < DOUBT else "no sign against the model."


def dispersion_found(ratio: float, family: str, p: float) -> str:
    return (
        f"Rows vary about their fitted units {ratio:.2f} times as much as the "
        f"{family.replace('_', ' ')} model says (p = {p:.3g}): {doubt(p)}"
    )


def zeros_found(zeros: float, expected: float, p: float) -> str:
    return f"{zeros:.0f} zeros where {expected:.3g} are expected (p = {p:.3g}): {doubt(p)}"


def statistic_found(what: str, observed: float, expected: float, p: float) -> str:
    return (
        f"{what[0].upper()}{what[1:]}: {observed:.3g} where {expected:.3g} is usual "
        f"(p = {p:.3g}): {doubt(p)}"
    )


def odds_ratios_found(name: str, lowest: float, highest: float, p: float) -> str:
    found = (
        f"Threshold by threshold the odds ratio of {name} runs from {lowest:.2g} to {highest:.2g}"
    )
    if p < DOUBT:
        return (
            f"{found}; one odds ratio for all does not describe the readings well (p = {p:.2g}). "
            f"Read the shares of each score rather than the odds ratio."
        )
    return f"{found}, which leaves room for one odds ratio at all of them (p = {p:.2g})."


def odds_ratios_not_tested(name: str) -> str:
    return (
        f"Whether {name} has the same odds ratio at every score cannot be tested: at all "
        f"thresholds but one, or at all, readings of a setup lie on one side only. Compare the "
        f"shares read."
    )


# ------------------------------------------------------------------ quadrature
DISPERSION_AT_ITS_END = "the dispersion is at the end of its range; it has no standard error."
NO_QUADRATURE_OPTIMUM = (
    "the search did not end at an optimum, so there are no standard errors: look for cells of the "
    "design with almost no counts, or use fewer fixed terms."
)


def too_few_nodes(error: float, nodes: int) -> str:
    return (
        f"more nodes change the log-likelihood by {error:.2g}: {nodes} are too few; ask for more."
    )


# ------------------------------------------------------------------ headings
def model_heading(
    kind: str, response: str, fixed: str, levels: str, rows: str, likelihood: str
) -> str:
    """A model in one line: what is fitted to how much, and how well."""
    units = f", units {levels}" if levels else ""
    return f"{kind} model of {response} ~ {fixed}{units}; {rows}, {likelihood}"


def likelihood_heading(restricted: bool, loglik: float, df: str) -> str:
    return f"{'restricted' if restricted else 'maximum'} likelihood {loglik:.3f}, df {df}"


def quadrature_heading(nodes: int, loglik: float, laplace: float) -> str:
    return (
        f"maximum likelihood by adaptive Gauss-Hermite quadrature with {nodes} nodes {loglik:.3f}, "
        f"by the Laplace approximation {laplace:.3f}"
    )


def ordinal_heading(nodes: int, loglik: float) -> str:
    how = "Laplace approximation" if nodes == 1 else f"{nodes} quadrature nodes"
    return f"maximum likelihood by {how} {loglik:.3f}"


def spread_found(family: str, dispersion: float) -> str:
    """The dispersion by its name; empty where the family has none."""
    name = DISPERSIONS.get(family)
    return f"{name} {dispersion:.5g}" if name else ""


def rounds_heading(hypothesis: str, rounds: int, failed: int) -> str:
    """Of a bootstrap; ``hypothesis`` is empty where nothing is tested."""
    test = f" test of {hypothesis}" if hypothesis else ""
    lost = f", of which {failed} could not be fitted" if failed else ""
    return f"parametric bootstrap{test}, {rounds} rounds{lost}"


def influence_heading(units: int, level: str, needed: int) -> str:
    """``needed`` units are those without which nothing can be fitted."""
    note = f", {needed} of which the model cannot do without" if needed else ""
    return f"influence of {units} units of {level!r}{note}"


KOLMOGOROV = "Kolmogorov distance of the residuals"
SHAPE_HEADING = "residuals and unit effects against the model's own"


def largest_effect(level: str) -> str:
    return f"largest standardised effect of {level!r}"


def proportional_odds_heading(term: str) -> str:
    return f"one odds ratio for every threshold: {term}"


def loops_not_kept() -> str:
    """There is no folder to keep compiled loops in."""
    return (
        "No folder can be written to that would keep compiled loops, so every run compiles them "
        "again, which takes longer; results are the same. The environment variable "
        "NUMBA_CACHE_DIR can name a folder."
    )
