"""The same data by other models: what each is called, what it supposes, whether they agree."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number, p_text, significant
from trialkit.quantities import difference_unit, listed, lower_first, scales
from trialkit.words.counts import plural


# ---------------------------------------------------------------- models
def with_row_effect(family: str, row: str) -> str:
    return f"{family} with {row} effect"


def no_row_effect(family: str, row: str) -> str:
    return f"{family}, no {row} effect"


def strip_effect_only() -> str:
    return "Binomial with strip effect only"


def without_overdispersion(family: str) -> str:
    return f"{family} without overdispersion"


def logarithm_of_share() -> str:
    return "Gaussian on the logarithm of the share"


def gamma() -> str:
    return "Gamma with log link"


def share_itself() -> str:
    return "Gaussian on the share itself"


def values(of_means: bool) -> str:
    return f"Gaussian on the values of {'strip means' if of_means else 'strips'}"


def logarithm() -> str:
    return "Gaussian on the logarithm"


def fixed_blocks() -> str:
    return "Analysis of variance with fixed blocks"


def log_gaussian(what: str) -> str:
    return f"Log-Gaussian of strip {what}"


def paired_t(what: str) -> str:
    return f"Paired t of {what}"


def sign_flips(what: str) -> str:
    return f"Sign-flip test of {what}"


# ---------------------------------------------------------------- what they take for granted
def independent(thing: str) -> str:
    return f"takes every {thing} for an independent witness; intervals too narrow if they are not"


def effects_add() -> str:
    return "setup effects add"


def these_blocks() -> str:
    return "speaks for these blocks; setup effects alike in all of them"


def of_pairs(pairs: int) -> str:
    return f"{pairs} pairs (blocks) that hold both"


def paired_t_remark(pairs: int, effect: float, bayes: float) -> str:
    """`effect` is Cohen's d, `bayes` the Bayes factor for a difference."""
    return (
        f"{of_pairs(pairs)}; Cohen's d {significant(effect, 2)}; Bayes factor for a difference "
        f"{significant(bayes, 2)}"
    )


def logit_t_remark(paired: str) -> str:
    return f"{paired}; the reference's share is taken as known"


def signs_drawn(pairs: int, patterns: int) -> str:
    return f"{of_pairs(pairs)}; {number(patterns, 0)} random sign patterns"


def ranks_remark(pairs: int) -> str:
    return f"{of_pairs(pairs)}; p by ranks"


def too_few_pairs(pairs: int, least: float) -> str:
    """So few pairs cannot tell anything apart, whatever was found; goes behind a remark."""
    return f"; {pairs} pairs can give no p-value below {significant(least, 3)}"


def too_few_adjusted(least: float) -> str:
    """Nor can these once their p is adjusted."""
    return (
        f"; they can give no p-value below {significant(least, 3)} adjusted for the number of "
        "setups"
    )


def no_aic(remark: str, why: str) -> str:
    return f"{remark} No AIC: {why}".strip()


# ---------------------------------------------------------------- whether they agree
def of_contrast(
    label: str, reference: str, side: int, level: float, others: int, differing: Sequence[str],
    inside: bool, low: float, high: float, unit: str, system: str, p_low: float, p_high: float,
    unable: int, failed: int, naive: float | None, refused: bool,
) -> str:  # fmt: skip
    """Whether the answer for one contrast hangs on the choice of model.

    Parameters
    ----------
    label, reference : str
        "" where there is one contrast alone.
    side : int
        Where the chosen model puts it: below (-1) or above (1) the reference, or neither (0).
    level : float
        Confidence level.
    others : int
        Other models that could tell.
    differing : sequence of str
        Those of them that say otherwise.
    inside : bool
        Whether their estimates lie inside the chosen model's interval.
    low, high : float
        Least and largest ratio (`unit` "") or difference, in the result's unit.
    p_low, p_high : float
    unable, failed : int
        Tests with too few pairs; models that could not be fitted.
    naive : float, optional
        Width of the interval without overdispersion, a share of the chosen model's, where much
        narrower; `refused` where these counts speak against it.
    """
    spread = _spread(low, high, unit, system, p_low, p_high)
    if not others:
        text = "no alternative could be fitted, so nothing can be said of the choice of model."
    elif differing:
        do_not = "this one does not" if len(differing) == 1 else "these do not"
        text = (
            f"the answer hangs on the choice of model. The chosen model {_put(side, level)}; "
            f"{do_not}: {listed([_inside_sentence(name) for name in differing])} (of all models: "
            f"{spread})."
        )
        if inside:
            text += (
                " Their estimates lie inside the chosen model's interval: they differ in how sure "
                "they are rather than in what they find."
            )
    else:
        so_many = f"{others} {'other' if others == 1 else 'others'}"
        text = (
            f"the answer does not hang on the choice of model: the chosen one and {so_many} alike "
            f"{_put(side, level, many=True)} ({spread})."
        )
    if unable:
        tests, are = ("test has", "is") if unable == 1 else ("tests have", "are")
        text += (
            f" The sign-flip {tests} too few pairs to tell anything apart at {100 * level:g} % and "
            f"{are} left out of this."
        )
    if failed:
        text += f" {failed} could not be fitted."
    if naive is not None:
        more = ", which these counts do not bear out" if refused else ""
        text += (
            f" Without overdispersion the interval would be {number(100 * naive, 0)} % as "
            f"wide{more}."
        )
    if label:
        return f"{label} against {lower_first(reference)}: {text}"
    return text[0].upper() + text[1:]


def better_supported(model: str, by: float) -> str:
    """An alternative with a clearly smaller AIC."""
    return (
        f"By AIC {_inside_sentence(model)} is better supported than the chosen model, by "
        f"{number(by, 1)}."
    )


def _spread(
    low: float, high: float, unit: str, system: str, p_low: float, p_high: float
) -> str:
    if unit:
        own = scales(unit, system)[0]
        ends = _from_to(significant(own.factor * low), significant(own.factor * high))
        what = f"differences {ends} {difference_unit(own.unit)}"
    else:
        what = f"ratios {_from_to(number(low, 2), number(high, 2))}"
    return f"{what}, p {_from_to(p_text(p_low), p_text(p_high))}"


def _from_to(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def _put(side: int, level: float, many: bool = False) -> str:
    if side == 0:
        return f"do{'' if many else 'es'} not tell the two apart at {100 * level:g} %"
    over = "below" if side < 0 else "above"
    return f"put{'' if many else 's'} it {over} the reference at {100 * level:g} %"


def _inside_sentence(name: str) -> str:
    return name if name.startswith(("Poisson", "Gaussian")) else lower_first(name)


# ---------------------------------------------------------------- the card
def heading(title: str, unit: str) -> str:
    return f"{title}, {unit}: the same data by other models"


def same_rows(row: str, counts: bool) -> str:
    """What the models of one AIC describe: "counts of the same frames"."""
    return f"{'counts' if counts else 'values'} of the same {plural(row)}"


def about_aic(level: float, compared: str) -> str:
    return (
        f"{100 * level:g} % intervals in brackets. AIC is given for models of the {compared} only; "
        "strip totals are other data. Smaller is better supported, and differences below 2 say "
        "little."
    )
