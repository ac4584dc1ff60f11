"""What the trial found, setup by setup: the headline, its pictures, and what else was counted."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from trialkit import plots
from trialkit.analysis.family import counted_words, stands_in
from trialkit.pages import advice, captions, second_answer
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Beside,
    Element,
    Figure,
    Group,
    Heading,
    Marked,
    Sentence,
    Table,
    bullets,
    figure,
    folded,
    screen,
    table,
)
from trialkit.pages.needs import analysed
from trialkit.pages.registry import part
from trialkit.pages.wording import Finding, brackets
from trialkit.quantities import scales, shared_places, span, upper_first
from trialkit.responses import RESPONSES
from trialkit.words import field_day as words
from trialkit.words import said

Draw = Callable[..., plots.Plot]


@part()
def headline(page: Context) -> Iterable[Element]:
    """What the trial found, in one sentence, with its range and how sure it is."""
    first, *others = page.findings(page.response)
    for factor in page.setups:
        if factor.name != page.factor.name:
            others += page.findings(page.response, factor.name)
    also = f" {words.in_other_units(first.absolute[1])}" if len(first.absolute) > 1 else ""
    parts = [
        Sentence(f"{page.letters.title}, {page.config.season}", "kicker"),
        Heading(first.sentence.rstrip("."), 1),
        Sentence(f"{first.extent}.", "extent"),
        Sentence(f"{first.evidence} {brackets(page.analysis.level)}{also}", "grade"),
        *beside_the_first(page, first),
    ]
    if others:
        parts.append(bullets(found.sentence for found in others))
    return (Group("headline", tuple(parts), "header"),)


def beside_the_first(page: Context, first: Finding) -> list[Element]:
    """Strips lost, where the second answer reads otherwise, whether this is the response asked."""
    same = second_answer.apart(page.result, page.config.units, first.factor, first.level)
    first_of_all = said(page.analysis.lost)
    told: list[Element] = [Sentence(page.letters.text(t)) for t in (*first_of_all, *same)]
    if instead := stands_in(page.analysis):
        told.append(Sentence(page.letters.text(instead), "quiet"))
    return told


@part("loss", words.loss_title(), [analysed("header_loss")])
def loss_by_setup(page: Context) -> Iterable[Element]:
    """Header loss of every setup with its interval."""
    first = page.verdict.first.primary
    told = [
        Sentence(page.letters.text(words.strip(first.label, first.reference_label))),
        *_told(page, "header_loss")[page.response == "header_loss" :],
        folded("The numbers", _means(page, "header_loss")),
        *_other_pictures(page, "header_loss", plots.loss_by_setup),
    ]
    return (Beside(_picture(page, "header_loss", plots.loss_by_setup), tuple(told)),)


@part("pairs", lambda page: f"{upper_first(page.block)} by {page.block}")
def pair_by_pair(page: Context) -> Iterable[Element]:
    """The strips of each pair joined, so that anyone can check the headline by eye."""
    plot = plots.paired_strips(
        page.analysis, page.response, page.factor.name, field_names=page.letters.fields
    )
    found = page.findings(page.response)
    caption = captions.of_pairs(plot, found, page.block)
    drawn = figure(captions.told(plot, found), caption)
    return (Beside(drawn, (Sentence(words.strips_together(page.block)),)),)


@part("damage", words.damage_title(), [analysed("kernel_damage")])
def damage(page: Context) -> Iterable[Element]:
    """Damaged kernels of every setup with its interval."""
    picture = _picture(page, "kernel_damage", plots.damage_by_setup)
    return (
        *_told(page, "kernel_damage"),
        folded("Picture and numbers", picture, _means(page, "kernel_damage")),
        *_other_pictures(page, "kernel_damage", plots.damage_by_setup),
    )


@part("also", words.also_title())
def also(page: Context) -> Iterable[Element]:
    """What else was counted, a line each."""
    others = {
        record.short: page.every_finding(name) for name, record in RESPONSES.items()
        if record.shown and name in page.analysis.responses and name != page.response
    }  # fmt: skip
    if family := counted_words(page.analysis):
        yield Sentence(page.letters.text(family))
    yield bullets(advice.in_lines(others) or [words.nothing_else()])


# ---------------------------------------------------------------- what they share
def _told(page: Context, response: str) -> list[Element]:
    """A paragraph for every finding of a response, the headline's factor first."""
    return [
        Sentence(
            (Marked(found.sentence), f" {'; '.join((found.extent, *found.absolute[1:]))}."),
            "finding",
        )
        for found in page.every_finding(response)
    ]  # fmt: skip


def _picture(page: Context, response: str, draw: Draw, factor: str = "") -> Figure:
    """Means and strips of the headline's factor, or of another."""
    factor = factor or page.factor.name
    plot = captions.told(draw(page.analysis, factor), page.findings(response, factor))
    return figure(plot, captions.of_means(page.analysis.level))


def _other_pictures(page: Context, response: str, draw: Draw) -> tuple[Element, ...]:
    """The same of the other factors, on a screen; the handout shows the headline's alone."""
    others = [f.name for f in page.setups if f.name != page.factor.name]
    drawn = [_picture(page, response, draw, name) for name in others]
    return (screen(folded(words.other_pictures(), *drawn)),) if drawn else ()


def _means(page: Context, response: str) -> Table:
    """Adjusted means of a response as a table."""
    result = page.responses[response]
    means = result.means.set_index(["factor", "level"])
    shown = scales(result.unit, page.config.units)
    rows = []
    order = [(f.name, level) for f in page.config.setups for level in f.levels]
    for key in (key for key in order if key in means.index):
        row, beside = means.loc[key], means.loc[key[0]]
        cells = [
            span(row["estimate"], row["low"], row["high"], scale,
                 shared_places(beside["low"], beside["high"], scale))
            for scale in shown
        ]  # fmt: skip
        rows.append([str(row["label"]), *(f"{c.value} ({c.interval})" for c in cells)])
    head = ["setup", *(scale.unit for scale in shown)]
    return table(words.means_caption(result.title, page.percent), head, rows)
