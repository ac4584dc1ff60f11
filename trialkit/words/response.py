"""One response in full: headings, captions and remarks of its section."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from trialkit.display import number
from trialkit.quantities import listed
from trialkit.words.counts import plural

TITLES = {
    "model": "Model",
    "estimates": "Estimates",
    "variances": "Variance components and tests of terms",
    "diagnostics": "Does the model hold?",
    "sensitivity": "Does the answer hang on the choice of model?",
    "neighbours": "Does the answer hold with a trend along the field, or neighbours alike?",
    "fields": "Field by field",
    "along": "Along moisture and speed",
    "surface": "Over gap and speed",
    "power": "What this trial could tell",
}
"""Of the pieces of a section, in reading order."""
SHORT = {"variances": "Variance components", "sensitivity": "Other models",
         "neighbours": "Trend, neighbours",
         "power": "What it could tell"}  # fmt: skip
"""The same in a list of contents, where they are shorter."""
ROLES = {"chosen": " (this report's)", "warning": " (a warning, not a choice)"}
COMPONENTS = ("component", "variance", "sd", "in plain words")
ALONG = {"moisture": "grain moisture", "speed_measured": "ground speed"}
OF_HEADERS = {"gap_measured": "the gap measured on the header"}


def not_analysed(reason: str) -> str:
    """Why a response has no section."""
    return f"Not analysed. {reason}"


def no_data() -> str:
    """The reason where the trial says nothing of it."""
    return "The trial holds no data for it."


def marks(percent: str) -> str:
    """Under a picture of means and strips."""
    return f"Large mark: adjusted mean. Bar: {percent} interval. Rings: single strips."


# ---------------------------------------------------------------- the model
def model_of(title: str) -> str:
    """What a formula is, for a screen reader."""
    return f"Model of {title}"


def random_effects_of(about: str) -> str:
    """Likewise of its random effects."""
    return f"{about}: random effects"


def mean_of(about: str) -> str:
    """Likewise of the reported mean."""
    return f"{about}: reported mean"


# ---------------------------------------------------------------- estimates
def means(title: str, percent: str) -> str:
    """Over the adjusted means."""
    return f"{title}: adjusted means ({percent} interval)"


def from_the_reference() -> str:
    """What the first answer's contrasts are."""
    return "differences from the reference"


def at_the_same(what: str) -> str:
    """What the second answer's contrasts are."""
    return f"differences at the same {what}"


def differences(title: str, what: str, percent: str, adjusted: str) -> str:
    """Over the contrasts."""
    return f"{title}: {what} ({percent} interval; p, Holm: adjusted {adjusted})"


def simpler_tests(tests: Sequence[tuple[str, str]]) -> str:
    """What stands beside the model's p: tests by name with their degrees of freedom."""
    named = [f"{name} ({df} df)" for name, df in tests]
    return f"Simpler test of the same strips: {listed(named)}."


def every_two_levels(factor: str, title: str, percent: str) -> str:
    """Over all pairs of levels."""
    return f"{factor}: every two levels in {title} (intervals hold together at {percent}, Tukey)"


def components(title: str, scale: str) -> str:
    """Over the variance components."""
    return f"{title}: variance components, model's scale ({scale})"


def variance_zero() -> str:
    """A variance of nothing."""
    return "estimated at zero"


def two_thirds_within(amount: str, unit: str) -> str:
    """A standard deviation of values."""
    return f"two thirds lie within ±{amount} {unit} of the mean"


def two_thirds_by_factor(what: str, sd: float) -> str:
    """A standard deviation of logarithms of values or odds."""
    return f"two thirds of the {what} lie within a factor of {number(math.exp(sd), 2)}"


def no_intraclass_of_counts() -> str:
    """Why counts have none."""
    return (
        "An intraclass correlation of counts depends on their mean and is not given; the share of "
        "each source in the variance of the comparison stands with the power attained."
    )


def no_intraclass(why: str) -> str:
    """Why there is none."""
    return f"No intraclass correlation: {why}"


def intraclass(percent: str, parts: Sequence[tuple[str, float, float, float]]) -> str:
    """Of every level with its interval."""
    told = [
        f"{name} {number(value, 2)} ({number(low, 2)} to {number(high, 2)})"
        for name, value, low, high in parts
    ]
    return f"Intraclass correlation ({percent} profile interval): {', '.join(told)}."


def f_tests(title: str) -> str:
    """Over the tests of terms."""
    return f"{title}: F tests of the fixed terms"


# ---------------------------------------------------------------- does it hold
def checks(title: str) -> str:
    """Over the checks."""
    return f"{title}: checks of the model"


def simulated(n: int, seed: int) -> str:
    """What observed statistics are held against."""
    return (
        f"Observed statistics are held against {n} data sets simulated from the fitted model (seed "
        f"{seed}), so no p-value is finer than 1 in {n + 1}; p is also given adjusted by Holm over "
        "checks of a kind."
    )


def rests_on_title() -> str:
    """Over the answer without each unit."""
    return "What the answer rests on"


def rests_on() -> str:
    """What the pictures under it hold."""
    return "Each picture holds one comparison without every pair and every field in turn."


def units_drawn(shown: int, of: int) -> str:
    """Where a figure holds the units alone that matter most."""
    return (
        f"Drawn are the {shown} of {of} pairs and fields without which it moves most; the verdict "
        "above speaks of all of them. "
    )


def by_other_models(title: str, against: str) -> str:
    """Over one comparison by other models."""
    return f"{title} by other models: {against}"


def remarked(model: str, remarks: Mapping[str, Sequence[str]]) -> str:
    """Remarks of one model, each with the comparisons it is about where they differ."""
    if len(remarks) == 1:
        return f"{model}: {next(iter(remarks)).rstrip('.')}."
    told = "; ".join(f"{why.rstrip('.')} ({', '.join(whom)})" for why, whom in remarks.items())
    return f"{model}: {told}."


def aic(compared: str) -> str:
    """What Akaike's criterion compares."""
    return (
        f"AIC compares models of the {compared} only; smaller is better supported, and differences "
        "below 2 say little."
    )


def adjusted_alone() -> str:
    """That other models are held against this one by itself, where others are counted too."""
    return "Here p is adjusted within the factor alone, for every model alike."


# ---------------------------------------------------------------- further questions
def over_fields(title: str, fields: int, percent: str, link: str) -> str:
    """Over effects field by field."""
    return f"{title}: effects over {fields} fields ({percent} intervals; sd on the {link} scale)"


def fields_head(what: str) -> tuple[str, ...]:
    """Columns of that table."""
    return ("setup", f"mean {what}", "next field", "sd between fields", "p of no spread",
            "fields the same way")  # fmt: skip


def same_way(part: float, low: float, high: float) -> str:
    """A share of fields with its interval."""
    shown = (number(100 * v, 0) for v in (part, low, high))
    return "{} % ({} to {})".format(*shown)


def refused_along(what: str, why: str) -> str:
    """Why there is no curve."""
    return f"Along {what}: {why}"


def drawn_for(against: str) -> str:
    """Which comparison is drawn, and how to draw another."""
    return (
        f"Shown for {against}, the comparison with the smallest p; effect_along(covariate, "
        "factor=..., level=...) gives the others."
    )


def could_tell(sentence: str, shares: Sequence[tuple[str, float]]) -> str:
    """The precision attained, and the share of each source in the comparison's variance."""
    told = ", ".join(f"{source} {number(100 * share, 0)} %" for source, share in shares)
    return f"{sentence} Share of each source in the comparison's variance: {told}."


def would_take(title: str, against: str, power: float) -> str:
    """Over what it would take."""
    return f"{title}, {against}: what it would take ({number(100 * power, 0)} % power)"


def effort_columns(row: str) -> dict[str, str]:
    """Columns of that table."""
    return {
        "pairs": "pairs in the same fields",
        "pairs_twice_the_rows": f"pairs, twice the {plural(row)}",
        "fields": "fields like these",
    }


def aim_interval(reach: str) -> str:
    """An aim: how near an estimate is known."""
    return f"interval {reach}"


def aim_factor(value: str) -> str:
    """Within a factor."""
    return f"within a factor of {value}"


def aim_ratio(value: str) -> str:
    """An aim: a ratio told apart."""
    return f"a true ratio of {value} told apart"


def aim_difference(value: str, unit: str) -> str:
    """An aim: a difference told apart."""
    return f"a true difference of {value} {unit} told apart"


def not_reached() -> str:
    """No number of pairs does it."""
    return "not reached"


def precision_attained() -> str:
    """What such a power is, and is not."""
    return (
        "This is the precision attained, from the variation found and not from the effect found: "
        "power at the effect found is the p-value in other clothes (Hoenig and Heisey 2001)."
    )


# ---------------------------------------------------------------- others, and scores
def none_other() -> str:
    """Nothing else was measured."""
    return "No other was measured."


def unfold() -> str:
    """What a screen holds of the other responses."""
    return "Estimates, model and verdict of each response unfold."


def judged_by_shape(simulated: int, seed: int) -> str:
    """How the models of the others were checked."""
    return (
        f"Whether a model holds was judged here by its shape alone, against {simulated} simulated "
        f"data sets (seed {seed}); no unit was left out."
    )


def on_screen_alone() -> str:
    """What paper leaves out of them."""
    return "Models, other models and variance components of these stand on the page on screen."


def odds_caption() -> str:
    """Over odds ratios of scores."""
    return "Odds of a higher score"


def score_shares() -> str:
    """Under the shares of scores."""
    return "Shares read (above) and modelled (below)."
