"""The researcher's page over many trials: the model, its tables, and how amounts follow from it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit.display import freedom, number, p_is, significant
from trialkit.quantities import listed, lower_first
from trialkit.units import POUNDS_PER_BUSHEL
from trialkit.words.counts import counted

EXPLAINED_HEAD = ["variable", "acts on", "strips", "slope", "test", "p alone", "p",
                  "spread without", "spread with"]  # fmt: skip


def explained_caption(percent: str) -> str:
    """Over the researcher's table."""
    return (
        f"What explains the spread between trials and fields; slopes with {percent} intervals, p "
        "by Holm over the table"
    )


def in_unit(title: str, on_ground: str, value: str) -> str:
    """How an effect is turned into an amount."""
    return (
        f"Amounts are the model's ratio less one, times what lay behind the header with the "
        f"reference, the loss before harvest included: {on_ground} in the mean over fields, each "
        f"counted once, of which {title.lower()} {value}; no setup changes the rest. That mean is "
        "taken as measured: the interval is the ratio's. Shares are of what the header lost. For a "
        "single field or trial the same is done with what lay there with the reference."
    )


def model_told(family: str, levels: Sequence[str], sloped: Sequence[str], level: float) -> str:
    """The model in a sentence."""
    vary = f"; the setup's effect varies between {listed(list(sloped))}" if sloped else ""
    return (
        f"One model over all trials ({family}): normal effects of {listed(list(levels))}{vary}. "
        f"Intervals {100 * level:g} %, degrees of freedom by Kenward and Roger."
    )


def not_compared(title: str, why: str) -> str:
    """A response without a comparison."""
    return f"{title}: {lower_first(why)}"

ANSWER_HEAD = ["response", "setup", "difference", "share of the reference", "df", "p", "evidence"]


def answer_caption(percent: str) -> str:
    """Over the table of every comparison."""
    return f"Every comparison, mean over the trials, with {percent} intervals; p adjusted"

VARIANCES_HEAD = ["level", "term", "variance", "standard deviation"]


def variances_caption() -> str:
    """Over the variance components."""
    return "Variance components of the model, on its own scale"

TRIALS_HEAD = ["trial", "season", "pairs", "own pairs alone", "p", "evidence"]


def trials_caption(what: str, percent: str, unit: str) -> str:
    """Over the effects of single trials."""
    return (
        f"{what}: what every trial shows by its own pairs alone, {unit}, with {percent} intervals, "
        "each at what lay in that trial with the reference"
    )


def agree(q: float, df: int, p: float, i2: float, tau: float) -> str:
    """Whether trials' own effects are alike."""
    return (
        f"Are these alike? Cochran's Q {significant(q, 3)}, {df} df, p {p_is(p)}; I² "
        f"{number(100 * i2, 0)} % (the share of their scatter that is no chance of their strips), "
        f"standard deviation between trials {significant(tau, 2)} (restricted likelihood, "
        "logarithms of ratios). With so few trials all of these are rough."
    )


def one_left_out(
    mean: float, low: tuple[float, str], high: tuple[float, str], model: float
) -> str:
    """The mean of trials' own effects without each trial in turn."""
    (least, first), (most, last) = low, high
    return (
        f"Without one trial at a time, the mean of these effects (logarithms of ratios, weights by "
        f"restricted likelihood; the model itself is not fitted again) runs from "
        f"{number(least, 3)} without {first} to {number(most, 3)} without {last}; with all of them "
        f"it is {number(mean, 3)}, by the model {number(model, 3)}."
    )


def own_pairs() -> str:
    """How figures of own pairs come about."""
    return (
        "Own pairs alone: the mean over a field's (trial's) pairs of the logarithm of what lay "
        "there with the setup over what lay there with the reference; interval by t, pairs less "
        "one degrees of freedom, from the scatter of those pairs only. Of two pairs it is "
        "therefore very wide."
    )


def by_model() -> str:
    """How a field's figure by the model, and its interval, come about."""
    return (
        "By the model: a field's effect is its best linear unbiased prediction, averaged over what "
        "is not known of how much trials and fields differ: a grid of their standard deviations, "
        "weighted by the restricted likelihood and a half-Cauchy density (Gelman 2006). Ends are "
        "quantiles of that mixture of t distributions, whose degrees of freedom are those within "
        "pairs; nothing is simulated, and they need not lie at one distance. A field of the next "
        "trial: the same, with an effect of a new trial and a new field on top. The mean's own "
        "interval is the model's, by t with Kenward and Roger's degrees of freedom."
    )


def spreads(what: str, trial: float, field: float) -> str:
    """The spread of an effect, and how it goes with the table."""
    both = math.hypot(trial, field)
    return (
        f"{what}: the effect (logarithm of the ratio) has standard deviations of "
        f"{number(trial, 3)} between trials and {number(field, 3)} between the fields of a trial, "
        f"{number(both, 3)} together, which is the figure in the text above. In the table of "
        "variances each setup has its own deviation: an effect, a difference of two, has that "
        "times the square root of 2. Estimates, without intervals."
    )


def next_shares(what: str, low: float, high: float, share: float) -> str:
    """The next field on the model's scale, and the share of fields that go the same way."""
    return (
        f"{what}, a field of the next trial: logarithm of the ratio from {number(low, 3)} to "
        f"{number(high, 3)}; of 100 such fields {number(100 * share, 0)} are expected to go the "
        "same way (normal probability of the mean over the spread, averaged likewise; Mathur and "
        "VanderWeele 2019)."
    )


def degrees(df: float, trials: int, fields: int) -> str:
    """Why there are so few degrees of freedom."""
    return (
        f"Degrees of freedom of the headline: {freedom(df, 1)}, though there are "
        f"{counted(trials, 'trial')} and fields were compared {fields} times: what the mean strays "
        "by is mostly how much effects differ between trials and fields, which is known by few of "
        "them; strips hardly count."
    )


def tests_adjusted(n: int) -> str:
    """How the tests of what differs are adjusted."""
    return (
        f"The {counted(n, 'p-value')} of what explains the spread: by Holm over all of them. "
        "Spread without and with: "
        "standard deviations, on the model's scale, of the response itself (mean) or of the "
        "setup's effect (effect) between trials and fields together, in the strips that have the "
        "variable."
    )


def conversion(
    least: float, most: float, assumed: int, trials: int, moisture: Sequence[float], system: str
) -> str:
    """How kernels become a mass.

    Parameters
    ----------
    least, most : float
        Mass of 1,000 kernels over the trials, g.
    assumed, trials : int
        How many trials state none, and how many there are.
    moisture : sequence of float
        What their grain is reckoned at, %.
    system : {"SI", "US"}
    """
    mass = f"{least:g} g" if least == most else f"{least:g} to {most:g} g"
    told = "each trial states its own" if not assumed else (
        f"{assumed} of {counted(trials, 'trial')} state none and have the usual one"
    )
    wet = " or ".join(f"{m:g}" for m in moisture)
    bushel = f"; a bushel is {POUNDS_PER_BUSHEL:g} lb" if system == "US" else ""
    return (
        f"Kernels become a mass by that of 1,000 kernels at {wet} % moisture, trial by trial: "
        f"{mass}, {told}{bushel}. Ratios and p-values do not hang on it."
    )


def not_checked() -> str:
    """What the page does not hold against the data."""
    return (
        "Not done here: residuals of the model over all trials, and fitting it again without each "
        "trial. The page of a single trial looks at its own residuals."
    )


def growers_caption(of_all: str) -> str:
    """Over growers' own fields against the others'; `of_all` says what ratios are of."""
    return f"Own fields against the others', by the model{of_all}"


def files(tables: int) -> str:
    """Words on the tables to save."""
    return f"{counted(tables, 'table')} as CSV files; names of growers and fields as on this page."
