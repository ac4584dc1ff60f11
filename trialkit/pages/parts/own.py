"""One grower's page: its head, what to do, damage, what to keep in mind."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.analysis.family import counted_words
from trialkit.pages import advice
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Element,
    Group,
    Heading,
    Marked,
    Sentence,
    bullets,
    folded,
)
from trialkit.pages.parts import own_fields, own_money, record
from trialkit.pages.parts.effect import beside_the_first
from trialkit.pages.registry import part
from trialkit.pages.wording import Finding, brackets
from trialkit.words import cautions, privacy
from trialkit.words import field_day as of_trial
from trialkit.words import grower as words


@part()
def headline(page: Context) -> Iterable[Element]:
    """What it means on my fields, in one sentence, its range, and three lines to decide by."""
    first, *others = page.decided(page.response)
    text = page.letters.text
    fields = [page.letters.fields[f] for f in page.mine]
    parts: list[Element] = [
        Sentence(f"{page.letters.title}, {page.config.season}", "kicker"),
        Sentence(words.of_whom(page.own.grower, fields, len(page.others)), "kicker"),
        Sentence(_named(page), "quiet"),
        Heading(text(first.sentence.rstrip(".")), 1),
        Sentence(f"{first.extent}.", "extent"),
    ]
    if len(first.absolute) > 1:
        parts.append(Sentence(of_trial.in_other_units(first.absolute[1]), "quiet"))
    parts.append(Sentence(f"{first.evidence} {brackets(page.analysis.level)}", "grade"))
    parts += beside_the_first(page, first)
    lines = [
        ("On my fields", own_fields.in_short(page)),
        ("Money", own_money.in_short(page)),
        *(("Also", f"{text(f.sentence.rstrip('.'))}.") for f in others),
    ]
    parts.append(bullets(((Marked(f"{n}."), f" {text(told)}") for n, told in lines), "decide"))
    return (Group("headline", tuple(parts), "header"),)


@part("do", "What to do")
def what_to_do(page: Context) -> Iterable[Element]:
    """What follows for every setup, with the reader's own prices, and the cautions."""
    return (
        bullets(page.letters.text(told) for told in advice.told(page.verdict)),
        Sentence(cautions.before_changing(), "defer"),
        bullets(cautions.counting()),
    )


@part("damage", "Damaged kernels")
def damage(page: Context) -> Iterable[Element]:
    """Damaged kernels, where they were looked for and are not the headline already."""
    if page.response == "kernel_damage":
        return (Sentence(words.headline_already()),)
    if "kernel_damage" not in page.responses:
        reason = page.analysis.skipped.get("kernel_damage", words.no_grain_looked_at())
        return (Sentence(page.letters.text(reason)),)
    return [_finding(page, found) for found in page.decided("kernel_damage")]


def _finding(page: Context, found: Finding) -> Sentence:
    extent = "; ".join([found.extent, *found.absolute[1:]])
    sentence = Marked(page.letters.text(found.sentence))
    return Sentence((sentence, f" {extent}. {found.evidence}"), "finding")


@part("unknown", "Keep in mind")
def unknown(page: Context) -> Iterable[Element]:
    """What this page cannot say."""
    text = page.letters.text
    fields = len(page.mine) + len(page.others)
    items = [of_trial.one_season(page.config.season, fields), *words.keep_in_mind()]
    items += map(text, (counted_words(page.analysis), *page.analysis.warnings))
    if page.plan is None:
        items.append(of_trial.lot_not_known())
    yield bullets(filter(None, dict.fromkeys(items)))
    yield Sentence(cautions.defer_briefly(), "defer")
    every = [f for name in page.responses for f in page.decided(name) if f.weaker]
    if every:
        why = bullets(text(f"{f.sentence} {f.weaker}") for f in every)
        yield folded("For the record", why)


@part()
def colophon(page: Context) -> Iterable[Element]:
    """Version, data hash and date, so that the page can be made again."""
    names = words.names_of_others(page.letters.agreed) if page.others else ""
    return (record.made_with(page, names),)


def _named(page: Context) -> str:
    """Whom the page names, for the reader to know before it is passed on."""
    grower = page.own.grower
    if page.letters.agreed:
        return privacy.page_names_agreed()
    return privacy.page_names(grower) if grower else privacy.page_names_fields()
