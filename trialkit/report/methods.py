"""A methods paragraph for a paper, its references, and what it takes to run the analysis again."""

from __future__ import annotations

import platform
import sys
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from trialkit import __version__
from trialkit.analysis.covariates import WORDS
from trialkit.quantities import lower_first, number
from trialkit.report.wording import counted, listed

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis, TrialAnalysis

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
    "prediction": "Higgins, J. P. T., Thompson, S. G. and Spiegelhalter, D. J. (2009). A "
    "re-evaluation of random-effects meta-analysis. Journal of the Royal Statistical Society A "
    "172, 137-159.",
    "power": "Hoenig, J. M. and Heisey, D. M. (2001). The abuse of power: the pervasive fallacy of "
    "power calculations for data analysis. The American Statistician 55, 19-24.",
}

_MODELS = {
    "poisson": "a Poisson mixed model with log link and the area as exposure",
    "binomial": "a binomial mixed model with logit link",
    "lognormal": "a linear mixed model of the logarithm of the share by mass",
    "normal": "a linear mixed model",
}


def paragraph_for_a_paper(analysis: TrialAnalysis) -> str:
    """How the trial was analysed, as one paragraph in the past tense."""
    trial, results = analysis.trial, analysis.responses
    strips = trial.strips
    first = next(iter(results.values()))
    compared = dict.fromkeys(f.name for r in results.values() for f in r.design.factors)
    factors = [f for f in trial.config.setups if f.name in compared]
    what = listed(
        [f"{lower_first(f.label)} ({', '.join(map(lower_first, f.level_labels))})"
         for f in factors]
    )  # fmt: skip
    parts = [
        f"Setups of a corn header were compared in {first.design.kind} "
        f"({counted(len(strips), 'strip')}, season {trial.config.season}): {what}."
    ]
    counts = [r for r in results.values() if r.fit.family.counts]
    values = [r for r in results.values() if not r.fit.family.counts]
    by_family: dict[str, list[str]] = {}
    for r in results.values():
        by_family.setdefault(r.specification.family, []).append(lower_first(r.title))
    models = [f"for {listed(titles)} {_MODELS[name]}" for name, titles in by_family.items()]
    parts.append(f"The model was {'; '.join(models)}.")
    if len(trial.frames):
        assumed = "" if trial.config.kernel_mass_stated else " (assumed, not weighed)"
        parts.append(
            f"Kernels became mass at {number(trial.config.thousand_kernel_mass, 0)} g per "
            f"thousand{assumed}, {number(trial.config.base_moisture, 1)} % moisture."
        )
    if less := [lower_first(r.title) for r in results.values() if r.offset is not None]:
        parts.append(
            f"From {listed(less)} what lay on the ground before harvest, by a model of its own, "
            "was subtracted under every setup alike and its variance added."
        )
    parts += [_fixed(list(results.values())), _random(first)]
    estimation = []
    if counts:
        estimation.append(
            "counts by the restricted Laplace approximation (Breslow and Clayton 1993)"
        )
    if values:
        estimation.append(
            "Gaussian responses by restricted maximum likelihood (Patterson and Thompson 1971)"
        )
    parts.append(f"Variances were estimated, for {listed(estimation)}.")
    level = number(100 * analysis.level, 0)
    parts.append(
        "Means are over the distribution of the random effects, in the reported unit; standard "
        "errors are by the delta method from the covariance of Kenward and Roger (1997), with "
        "their degrees of freedom, at most those of the units a factor was set on less the "
        f"setups. Intervals are {level} %; p-values are two-sided, adjusted by Holm (1979): of "
        f"{lower_first(results[analysis.primary].title)}, the primary response, within a factor"
        + (", of the others over all their comparisons." if len(results) > 1 else ".")
    )
    if any(len(v) > 2 for r in results.values() for v in r.design.levels.values()):
        parts.append(
            "Where a factor had three levels or more, all pairs were compared with Tukey's "
            "adjustment (Kramer 1956)."
        )
    parts.append(
        "Models were checked by randomised quantile residuals (Dunn and Smyth 1996) against "
        f"simulated data. Computations used trialkit {__version__} (Python "
        f"{platform.python_version()}, NumPy {_version('numpy')}, SciPy {_version('scipy')})."
    )
    return " ".join(parts)


def references(analysis: TrialAnalysis) -> list[str]:
    """What the paragraph and the page cite, in alphabetical order, and the software."""
    results = analysis.responses.values()
    used = {"kr", "holm", "residuals", "power"}
    used |= {"laplace" if r.fit.family.counts else "reml" for r in results}
    if any(len(v) > 2 for r in results for v in r.design.levels.values()):
        used.add("tukey")
    if any(r.design.slope_factors for r in results):
        used.add("prediction")
    return [
        *sorted(REFERENCES[name] for name in used),
        f"trialkit, version {__version__} [computer software].",
    ]


def _fixed(results: list[ResponseAnalysis]) -> str:
    design = results[0].design
    text = f"Fixed effects were those of {listed([lower_first(f.label) for f in design.factors])}"
    if design.interactions:
        text += " with their two-factor interactions"
    adjusted: dict[tuple[str, ...], list[str]] = {}
    for r in results:
        adjusted.setdefault(r.design.covariates, []).append(lower_first(r.title))
    for names, titles in adjusted.items():
        if names:
            whom = "" if len(adjusted) == 1 else f" for {listed(titles)}"
            what = listed([WORDS[c] for c in names])
            text += f", with {what} as {_covariates(names)}{whom}"
    second: dict[tuple[str, ...], list[str]] = {}
    for r in results:
        if r.design.measured_after:
            second.setdefault(r.design.measured_after, []).append(lower_first(r.title))
    for names, titles in second.items():
        what = listed([WORDS[c] for c in names])
        text += (
            f". Effects are those of choosing a setup, with what it changes in {what}; a second "
            f"analysis of {listed(titles)} had {what} as {_covariates(names)}, to "
            f"compare setups at the same {what}"
        )
    return f"{text}."


def _covariates(names: tuple[str, ...]) -> str:
    return "a covariate" if len(names) == 1 else "covariates"


def _random(result: ResponseAnalysis) -> str:
    words = {"field": "field", "pair": "pair (block) within field", "main_strip": "main strip",
             "strip": "strip"}  # fmt: skip
    levels = [words[level] for level in result.design.nested]
    if result.design.slope_factors:
        levels.insert(1, "setup by field")
    text = f"Random effects were {listed(levels)}" if levels else "There were no random effects"
    if result.fit.family.counts:
        return f"{text}, and in models of counts the single frame or sample (overdispersion)."
    return f"{text}."


def versions() -> dict[str, str]:
    """Versions of what computed the numbers."""
    own = {"trialkit": __version__}
    names = ("numpy", "scipy", "pandas", "numba", "statsmodels", "matplotlib")
    return own | {name: _version(name) for name in names} | {
        "python": ".".join(map(str, sys.version_info[:3])),
        "system": f"{platform.system()} {platform.machine()}",
    }  # fmt: skip


def now() -> str:
    """Time of the computation, UTC, to the minute."""
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not known"
