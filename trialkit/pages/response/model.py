"""A response's model in mathematics and in words."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.pages.elements import Element, bullets
from trialkit.pages.response import formulas
from trialkit.pages.response.asked import Asked
from trialkit.quantities import lower_first
from trialkit.words import response as words


def model(asked: Asked, level: int = 3) -> Iterable[Element]:
    """Law, predictor, random effects and reported mean; every symbol; why this model."""
    result, letters = asked.result, asked.letters
    about = words.model_of(lower_first(result.title))
    yield asked.heading("model", words.TITLES["model"], level)
    yield formulas.beside(formulas.law(result)).element(about)
    for line in formulas.predictor(result, letters):
        yield line.element(about)
    laws = formulas.effects(result, letters)
    for i in range(0, len(laws), formulas.PER_LINE):
        some = formulas.beside(laws[i : i + formulas.PER_LINE])
        yield some.element(words.random_effects_of(about))
    yield formulas.reported(result).element(words.mean_of(about))
    yield bullets(formulas.in_words(result, letters, asked.system))
    yield asked.sentence(f"{result.model.rstrip('.')}. {result.why}")
    if notes := asked.noted(result):
        yield bullets(notes)
