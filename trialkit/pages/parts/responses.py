"""Responses in full and in brief, each question of theirs answered once for all parts."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit import plots
from trialkit.pages.context import Context
from trialkit.pages.elements import Element, Section, Sentence, figure
from trialkit.pages.registry import part
from trialkit.pages.response import further
from trialkit.pages.response.asked import SEED, SIMULATED_BRIEF, Asked
from trialkit.pages.response.told import Pieces, told
from trialkit.responses import RESPONSES, in_full
from trialkit.words import researcher as page_words
from trialkit.words import response as words


def told_in_full(page: Context) -> tuple[str, ...]:
    """Responses told in full, the trial's primary one first; the others unfold."""
    return tuple(dict.fromkeys((page.analysis.primary, *in_full())))


def every_asked(page: Context) -> dict[str, Asked]:
    """What is asked of every response that was analysed, by name."""
    return page.once(_every_asked)


def _every_asked(page: Context) -> dict[str, Asked]:
    positions = None if page.plan is None else page.plan.positions
    return {
        name: Asked(result, page.letters, page.config.units, positions)
        for name, result in page.analysis.responses.items()
    }


def pieces(page: Context, name: str) -> Pieces:
    """The pieces of a response's section; with several processes those of all at once."""
    known = page.once(_told)
    if name not in known:
        every = every_asked(page)
        processes = int(page.options.get("processes", 1))
        asked = every if processes > 1 else {name: every[name]}
        known |= told(asked, told_in_full(page), processes)
    return known[name]


def _told(page: Context) -> dict[str, Pieces]:
    return {}


@part()
def full(page: Context) -> Iterable[Element]:
    """The primary response, loss and damage in full: model, estimates, checks, other models."""
    return tuple(_section(page, name) for name in told_in_full(page))


def _section(page: Context, name: str) -> Section:
    key = name.replace("_", "-")
    if name not in page.analysis.responses:
        reason = page.analysis.skipped.get(name, words.no_data())
        said = Sentence(page.letters.text(words.not_analysed(reason)))
        return Section(key, RESPONSES[name].title, (said,))
    own = pieces(page, name)
    drawn = figure(plots.means_by_setup(page.analysis, name), words.marks(page.percent))
    inside = (*own["answers"], drawn, *(e for piece in words.TITLES for e in own[piece]))
    return Section(key, page.analysis.responses[name].title, inside)


@part("scores", page_words.SECTIONS["scores"])
def scores(page: Context) -> Iterable[Element]:
    """Scores by their order, where there are any."""
    return further.scores(page.analysis, page.letters)


@part("others", page_words.SECTIONS["others"])
def others(page: Context) -> Iterable[Element]:
    """Every other response, folded."""
    names = [name for name in page.analysis.responses if name not in told_in_full(page)]
    if not names:
        yield Sentence(words.none_other())
        return
    yield Sentence(words.unfold(), "screen")
    yield Sentence(words.judged_by_shape(SIMULATED_BRIEF, SEED))
    yield Sentence(words.on_screen_alone(), "paper")
    for name in names:
        yield from pieces(page, name)["brief"]
