"""How the numbers are made, and a methods paragraph for a paper with its references."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from trialkit.analysis.judges import PRIOR
from trialkit.pages.context import Context
from trialkit.pages.elements import Element, Heading, Sentence, bullets
from trialkit.pages.registry import part
from trialkit.pages.response import formulas
from trialkit.pages.versions import version_of
from trialkit.quantities import lower_first
from trialkit.version import __version__
from trialkit.words import methods as words
from trialkit.words.adjusting import LABELS as WORDS

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis, TrialAnalysis


@part("estimation", words.made_title())
def estimation(page: Context) -> Iterable[Element]:
    """What all models share: likelihood, test, adjustment."""
    results = list(page.analysis.responses.values())
    for gaussian, said in ((False, words.counts_likelihood), (True, words.values_likelihood)):
        if any(r.fit.family.counts != gaussian for r in results):
            told, about = said()
            yield Sentence(told)
            yield formulas.likelihood(gaussian).element(about)
    yield from _tests(results)
    yield Sentence(words.intervals())


def _tests(results: Sequence[ResponseAnalysis]) -> Iterable[Element]:
    """What comparisons are judged against and how, with the formulas."""
    integrated, layout = _judges(results)
    yield Sentence(words.tests())
    if integrated:
        told, about = words.integrated_test(PRIOR["log"])
        yield Sentence(told)
        yield formulas.integrated_test().element(about)
    if layout:
        told, about = words.layout_test()
        yield Sentence(told)
        yield formulas.test_statistic().element(about)


def _judges(results: Sequence[ResponseAnalysis]) -> tuple[bool, bool]:
    """Whether some comparisons integrate over the spread, and whether some have the degrees of
    freedom of the layout."""
    judges = [judge for r in results for judge in r.judges.values()]
    layout = [isinstance(judge, float) for judge in judges]
    return not all(layout), any(layout)


@part("methods", words.paper_title())
def methods(page: Context) -> Iterable[Element]:
    """A paragraph for a paper, and what it cites."""
    yield Sentence(page.letters.text(paragraph_for_a_paper(page.analysis)))
    yield Heading(words.references_title(), 3)
    yield bullets(references(page.analysis))


def paragraph_for_a_paper(analysis: TrialAnalysis) -> str:
    """How the trial was analysed, as one paragraph in the past tense."""
    trial, results = analysis.used, list(analysis.responses.values())
    config, design = trial.config, results[0].design
    names = {f.name for r in results for f in r.design.factors}
    factors = [(f.label, f.level_labels) for f in config.setups if f.name in names]
    by_family: dict[str, list[str]] = {}
    for r in results:
        by_family.setdefault(r.specification.family, []).append(lower_first(r.title))
    parts = [
        words.compared(design.kind, len(trial.strips), config.season, factors),
        words.models(list(by_family.items())),
    ]
    if len(trial.frames):
        parts.append(
            words.kernel_mass(
                config.thousand_kernel_mass, config.kernel_mass_stated, config.base_moisture
            )
        )
    if less := [lower_first(r.title) for r in results if r.offset is not None]:
        parts.append(words.taken_off(less))
    counts = [r.fit.family.counts for r in results]
    integrated, layout = _judges(results)
    parts += [
        _fixed(results),
        words.random(design.nested, bool(design.slope_factors), counts[0]),
        words.estimated(any(counts), not all(counts)),
        words.judged(
            integrated, layout, PRIOR["log"], analysis.level,
            lower_first(analysis.responses[analysis.primary].title), len(results) > 1,
        ),
    ]  # fmt: skip
    if _three_levels(results):
        parts.append(words.all_pairs())
    parts.append(
        words.checked_with(
            __version__, platform.python_version(), version_of("numpy"), version_of("scipy")
        )
    )
    return " ".join(parts)


def _three_levels(results: Iterable[ResponseAnalysis]) -> bool:
    return any(len(v) > 2 for r in results for v in r.design.levels.values())


def _fixed(results: list[ResponseAnalysis]) -> str:
    design = results[0].design
    adjusted = _by_covariates((r.design.covariates, r) for r in results)
    second = _by_covariates((r.design.measured_after, r) for r in results)
    every = len(adjusted) == 1
    told: list[words.Group] = [
        (names, () if every else titles) for names, titles in adjusted if names
    ]
    after = [group for group in second if group[0]]
    labels = [f.label for f in design.factors]
    return words.fixed(labels, bool(design.interactions), told, after)


def _by_covariates(
    every: Iterable[tuple[tuple[str, ...], ResponseAnalysis]],
) -> list[words.Group]:
    """Covariates in words, with the responses that have them."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for names, result in every:
        groups.setdefault(names, []).append(lower_first(result.title))
    return [([WORDS[n] for n in names], titles) for names, titles in groups.items()]


def references(analysis: TrialAnalysis) -> list[str]:
    """What the paragraph and the page cite, in alphabetical order, and the software."""
    results = analysis.responses.values()
    used = {"kr", "holm", "residuals", "power"}
    used |= {"laplace" if r.fit.family.counts else "reml" for r in results}
    if _three_levels(results):
        used.add("tukey")
    if any(r.design.slope_factors for r in results):
        used.add("prediction")
    return [*sorted(words.REFERENCES[name] for name in used), words.software(__version__)]
