"""Heads of pages over many trials: the answer, how sure it is, what to do."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from hashlib import sha256

from trialkit.many.explained import ENOUGH
from trialkit.many.lost import lost_told
from trialkit.pages import advice
from trialkit.pages.elements import Element, Group, Heading, Marked, Sentence, bullets
from trialkit.pages.export import csv_bytes
from trialkit.pages.registry import part
from trialkit.pages.seasons import fields, worth
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.pages.wording import brackets
from trialkit.version import __version__
from trialkit.words import cautions, comparisons, privacy
from trialkit.words import field_day as of_trial
from trialkit.words import grower as grower_words
from trialkit.words import many as many_words
from trialkit.words import seasons as words
from trialkit.words import seasons_used as used_words


@part()
def headline(page: SeasonsContext) -> Iterable[Element]:
    """What the trials found together, its range, and a few lines to decide by."""
    lines = [
        ("Fields", fields.in_short(page)), ("Money", worth.in_short(page)),
        ("Next field", fields.next_in_short(page)), ("Trials", in_short(page)),
    ]  # fmt: skip
    return _headline(page, [Sentence(over(page), "kicker")], lines)


@part()
def own_headline(page: SeasonsContext) -> Iterable[Element]:
    """The same for one grower, with what it came to on the own fields."""
    own = list(dict.fromkeys(field for _, field in page.letters.mine))
    grower = page.letters.grower
    told = privacy.page_names(grower) if grower else privacy.page_names_fields()
    if grower and page.letters.some_named:
        told = used_words.page_names_some(grower)
    begin = [
        Sentence(over(page), "kicker"),
        Sentence(words.fields_of(grower, own, len(page.letters.mine)), "kicker"),
        Sentence(privacy.page_names_agreed() if page.letters.agreed else told, "quiet"),
    ]
    lines = [
        ("On my fields", fields.in_short(page)), ("Money", worth.in_short(page)),
        ("Next field", fields.next_in_short(page)), ("Trials", in_short(page)),
    ]  # fmt: skip
    return _headline(page, begin, lines)


def _headline(
    page: SeasonsContext, begin: list[Sentence], lines: list[tuple[str, str]]
) -> Iterable[Element]:
    text, first = page.letters.text, page.finding
    parts: list[Element] = [
        *begin,
        Heading(text(first.sentence.rstrip(".")), 1),
        Sentence(text(f"{first.extent}."), "extent"),
    ]
    if len(first.absolute) > 1:
        parts.append(Sentence(of_trial.in_other_units(first.absolute[1]), "quiet"))
    told = text(f"{first.told} {brackets(page.primary.level)}")
    parts.append(Sentence(told, "grade"))
    parts += few(page)
    more = [("Also", text(f"{f.sentence} {f.extent}.")) for f in page.others_found]
    shown = ((Marked(f"{n}."), f" {text(told)}") for n, told in [*lines, *more] if told)
    parts.append(bullets(shown, "decide"))
    return (Group("headline", tuple(parts), "header"),)


def few(page: SeasonsContext) -> list[Sentence]:
    """What so few trials or fields, or trials that lost many strips, cannot tell: beside the
    headline."""
    out = []
    used = page.primary.trials
    if lost := lost_told(used, used["trial"].map(page.letters.trials)):
        out.append(Sentence(lost))
    if len(used) < ENOUGH:
        return [*out, Sentence(many_words.two_trials())]
    known = page.primary.effects_vary
    return out if known else [*out, Sentence(many_words.spread_not_known())]


def over(page: SeasonsContext) -> str:
    """How much stands behind the page."""
    used, strips = page.primary.trials, page.primary.strips
    ground = {page.letters.ground[key] for key in page.letters.fields}
    return words.over(
        len(used), int(used["season"].min()), int(used["season"].max()), len(ground),
        len(page.letters.fields), len(strips),
    )  # fmt: skip


def in_short(page: SeasonsContext) -> str:
    """How many trials were used in full, in part and not at all."""
    notes = page.primary.trials["note"].fillna("") != ""
    return used_words.used_in_short(
        int((~notes).sum()), int(notes.sum()), len(page.primary.skipped)
    )


@part("do", words.TITLES["do"])
def what_to_do(page: SeasonsContext) -> Iterable[Element]:
    """What follows for every setup, with the farm's prices, and the cautions."""
    told = advice.told(page.verdict)
    found = page.money
    if found is not None and found.bought and not found.net.low > 0:
        told += [worth.pays_from(found)]
    if not all(v.primary.grade.found for v in page.verdict.levels):
        told += [used_words.to_settle()]
    return (
        bullets(map(page.letters.text, told)),
        Sentence(cautions.before_changing(), "defer"),
        bullets(cautions.counting()),
    )


@part("also", words.TITLES["also"])
def also(page: SeasonsContext) -> Iterable[Element]:
    """What else was compared over the trials, a line each."""
    if not page.also:
        yield Sentence(of_trial.nothing_else())
        return
    titles = {page.compared[name].title.lower(): own for name, own in page.also.items()}
    yield bullets(map(page.letters.text, comparisons.in_lines(titles, page.system)))
    yield Sentence(words.family_told(len(page.also)), "quiet")


@part("unknown", words.TITLES["unknown"])
def unknown(page: SeasonsContext) -> Iterable[Element]:
    """What the page cannot say."""
    used = page.primary.trials
    of_reference = page.primary.link != "identity"
    items = [*words.unknown(len(used), used["season"].nunique(), of_reference),
             *grower_words.keep_in_mind()]  # fmt: skip
    yield bullets(items)
    yield Sentence(cautions.defer_briefly(), "defer")


@part()
def colophon(page: SeasonsContext) -> Iterable[Element]:
    """Version, fingerprint and date, so that the page can be made again."""
    names = of_trial.names_shown(page.letters.agreed)
    if page.own and page.others:
        names = grower_words.names_of_others(page.letters.agreed)
    if page.letters.some_named:
        names = used_words.names_some(page.own)
    fingerprint = sha256(csv_bytes(page.primary.strips)).hexdigest()[:16]
    told = of_trial.made_with(__version__, date.today().isoformat(), fingerprint, names)
    simulated = page.primary.trials["simulated"].any()
    first = (Sentence(of_trial.simulated()),) if simulated else ()
    return (Group("colophon", (*first, Sentence(told)), "footer"),)
