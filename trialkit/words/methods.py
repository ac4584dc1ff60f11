"""How a trial was analysed: the paragraph for a paper, its references, how the numbers are made."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number
from trialkit.quantities import listed, lower_first, upper_first
from trialkit.words.counts import counted

# Authors, years, titles, journals, volumes and pages were read: of "kr" on the article's own first
# page and in PubMed, of "power" in an index of the journal and on the article, of the others in
# reference lists of statistical software and of papers that cite them.
REFERENCES = {
    "kr": "Kenward, M. G. and Roger, J. H. (1997). Small sample inference for fixed effects from "
    "restricted maximum likelihood. Biometrics 53, 983-997.",
    "laplace": "Breslow, N. E. and Clayton, D. G. (1993). Approximate inference in generalized "
    "linear mixed models. Journal of the American Statistical Association 88, 9-25.",
    "reml": "Patterson, H. D. and Thompson, R. (1971). Recovery of inter-block information when "
    "block sizes are unequal. Biometrika 58, 545-554.",
    "holm": "Holm, S. (1979). A simple sequentially rejective multiple test procedure. "
    "Scandinavian Journal of Statistics 6, 65-70.",
    "tukey": "Kramer, C. Y. (1956). Extension of multiple range tests to group means with unequal "
    "numbers of replications. Biometrics 12, 307-310.",
    "residuals": "Dunn, P. K. and Smyth, G. K. (1996). Randomized quantile residuals. Journal of "
    "Computational and Graphical Statistics 5, 236-244.",
    "prediction": "Gelman, A. (2006). Prior distributions for variance parameters in hierarchical "
    "models. Bayesian Analysis 1, 515-533.",
    "power": "Hoenig, J. M. and Heisey, D. M. (2001). The abuse of power: the pervasive fallacy of "
    "power calculations for data analysis. The American Statistician 55, 19-24.",
    "margin": "Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the "
    "power approach for assessing the equivalence of average bioavailability. Journal of "
    "Pharmacokinetics and Biopharmaceutics 15, 657-680.",
}
_MODELS = {
    "poisson": "a Poisson mixed model with log link and the area as exposure",
    "binomial": "a binomial mixed model with logit link",
    "lognormal": "a linear mixed model of the logarithm of the share by mass",
    "normal": "a linear mixed model",
}
_UNITS = {"field": "field", "pair": "pair (block) within field", "main_strip": "main strip",
          "strip": "strip"}  # fmt: skip
Group = tuple[Sequence[str], Sequence[str]]


def paper_title() -> str:
    """Over the paragraph."""
    return "Methods, for a paper"


def made_title() -> str:
    """Over how the numbers are made."""
    return "How the numbers are made"


# ---------------------------------------------------------------- a paragraph for a paper
def compared(
    kind: str, strips: int, season: object, factors: Sequence[tuple[str, Sequence[str]]]
) -> str:
    """What was compared in which layout; a factor with its levels' labels."""
    what = listed(
        [f"{lower_first(label)} ({', '.join(map(lower_first, levels))})"
         for label, levels in factors]
    )  # fmt: skip
    return (
        f"Setups of a corn header were compared in {kind} ({counted(strips, 'strip')}, season "
        f"{season}): {what}."
    )


def models(by_family: Sequence[tuple[str, Sequence[str]]]) -> str:
    """The model of every family, with the responses it is for."""
    told = [f"for {listed(list(titles))} {_MODELS[family]}" for family, titles in by_family]
    return f"The model was {'; '.join(told)}."


def kernel_mass(grams: float, stated: bool, moisture: float) -> str:
    """How kernels became mass."""
    assumed = "" if stated else " (assumed, not weighed)"
    return (
        f"Kernels became mass at {number(grams, 0)} g per thousand{assumed}, "
        f"{number(moisture, 1)} % moisture."
    )


def taken_off(titles: Sequence[str]) -> str:
    """The loss before harvest."""
    return (
        f"From {listed(list(titles))} what lay on the ground before harvest, by a model of its "
        "own, was subtracted under every setup alike and its variance added."
    )


def fixed(
    factors: Sequence[str], interactions: bool, adjusted: Sequence[Group], second: Sequence[Group]
) -> str:
    """The fixed effects; covariates of the first and the second answer, with the responses they
    are for (none named where it is all of them)."""
    text = f"Fixed effects were those of {listed([lower_first(f) for f in factors])}"
    if interactions:
        text += " with their two-factor interactions"
    for names, titles in adjusted:
        whom = f" for {listed(list(titles))}" if titles else ""
        text += f", with {listed(list(names))} as {_covariates(names)}{whom}"
    for names, titles in second:
        what = listed(list(names))
        text += (
            f". Effects are those of choosing a setup, with what it changes in {what}; a second "
            f"analysis of {listed(list(titles))} had {what} as {_covariates(names)}, to compare "
            f"setups at the same {what}"
        )
    return f"{text}."


def _covariates(names: Sequence[str]) -> str:
    return "a covariate" if len(names) == 1 else "covariates"


def random(nested: Sequence[str], slopes: bool, counts: bool) -> str:
    """The random effects."""
    levels = [_UNITS[level] for level in nested]
    if slopes:
        levels.insert(1, "setup by field")
    text = f"Random effects were {listed(levels)}" if levels else "There were no random effects"
    if counts:
        return f"{text}, and in models of counts the single frame or sample (overdispersion)."
    return f"{text}."


def estimated(counts: bool, values: bool) -> str:
    """How variances were estimated."""
    told = []
    if counts:
        told.append("counts by the restricted Laplace approximation (Breslow and Clayton 1993)")
    if values:
        told.append(
            "Gaussian responses by restricted maximum likelihood (Patterson and Thompson 1971)"
        )
    return f"Variances were estimated, for {listed(told)}."


def judged(
    integrated: bool, layout: bool, prior: float, level: float, primary: str, several: bool
) -> str:
    """Means, what comparisons are judged by (`integrated` over the spread, by degrees of freedom
    of the `layout`, or some by each), intervals and adjustment."""
    told = []
    if integrated:
        told.append(
            "comparisons of counts and of shares examined integrate the restricted likelihood over "
            "the standard deviation s of the units a factor was set on, within their blocks (prior "
            f"flat below {prior:g} on the link scale, as 1/s above), told as a t distribution with "
            "the same two moments of the logarithm of the variance"
        )
    if layout:
        rest = "those of Gaussian values and of zones" if integrated else "comparisons"
        told.append(
            f"{rest} have the degrees of freedom of Kenward and Roger, at most those of the layout "
            "(units a factor was set on less blocks, setups and covariates)"
        )
    others = ", of the others over all their comparisons" if several else ""
    return (
        "Means are over the distribution of the random effects, in the reported unit, with "
        "standard errors by the delta method from the covariance of Kenward and Roger (1997). "
        f"{upper_first('; '.join(told))}. Intervals are {number(100 * level, 0)} %, those of a "
        "comparison from the distribution of its p; p-values are two-sided, adjusted by Holm "
        f"(1979): of {primary}, the primary response, within a factor{others}."
    )


def all_pairs() -> str:
    """Three levels or more."""
    return (
        "Where a factor had three levels or more, all pairs were compared with Tukey's adjustment "
        "(Kramer 1956)."
    )


def checked_with(version: str, python: str, numpy: str, scipy: str) -> str:
    """Checks and software."""
    return (
        "Models were checked by randomised quantile residuals (Dunn and Smyth 1996) against "
        f"simulated data. Computations used trialkit {version} (Python {python}, NumPy {numpy}, "
        f"SciPy {scipy})."
    )


def references_title() -> str:
    """Over the references."""
    return "References"


def software(version: str) -> str:
    """This program among the references."""
    return f"trialkit, version {version} [computer software]."


# ---------------------------------------------------------------- how the numbers are made
def counts_likelihood() -> tuple[str, str]:
    """Of counts, and what its formula is."""
    return (
        "Counts. The variances θ maximise the restricted likelihood, in which the fixed effects β "
        "are integrated out with the unit effects u; the integral is by Laplace's approximation at "
        "the joint mode.",
        "Restricted likelihood of counts",
    )


def values_likelihood() -> tuple[str, str]:
    """Of Gaussian values, and what its formula is."""
    return (
        "Gaussian responses. The variances maximise the restricted likelihood.",
        "Restricted likelihood of Gaussian values",
    )


def tests() -> str:
    """What a setup is judged against."""
    return (
        "Tests. A setup is judged against the spread between the units it was set on, within their "
        "blocks."
    )


def integrated_test(prior: float) -> tuple[str, str]:
    """The test of counts and shares examined, and what its formula is."""
    return (
        "Counts and shares examined: that spread is not taken as known. The restricted likelihood "
        f"is averaged over it, with a prior that is flat below {prior:g} on the link scale and "
        "falls as one over the spread above. Every spread j has a weight p, and an estimate m and "
        "a variance v of the contrast. Together they are told as Student's t with the same mean "
        "and variance of log v; ψ is the digamma function.",
        "Test of a contrast integrated over its error",
    )


def layout_test() -> tuple[str, str]:
    """The test of Gaussian values, and what its formula is."""
    return (
        "Gaussian values and comparisons of zones: a contrast c of the fixed effects has Student's "
        "t with the covariance and the degrees of freedom of Kenward and Roger (1997), at most "
        "those of the layout: the units less blocks, setups and covariates.",
        "Test of a contrast",
    )


def intervals() -> str:
    """Intervals, standard errors of means, adjustment."""
    return (
        "Intervals of ratios and differences are from the distribution of p: they leave out no "
        "difference just when p, unadjusted, is small enough. Means have standard errors by the "
        "delta method from the covariance of Kenward and Roger; variances inside a mean are taken "
        "as known. p-values are adjusted by Holm (1979), of the primary response within a factor, "
        "of all others over all of their comparisons."
    )
