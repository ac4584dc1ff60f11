"""The header page: what to repair first, what was judged by what, and every header in its order.

It works before harvest, from the settings and the header check alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields as settings_of
from dataclasses import replace
from typing import Any

from trialkit.header import Assumed, HeaderReport
from trialkit.header.limits import SOURCES, source_of
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Bullets,
    Element,
    Group,
    Heading,
    Section,
    Sentence,
    Table,
    plain,
    with_elements,
)
from trialkit.pages.header_checked import ONE, each, reports, several
from trialkit.pages.quality import refused_cells
from trialkit.pages.registry import find, part
from trialkit.quantities import lower_first
from trialkit.words import cautions as safety
from trialkit.words import header_page as words
from trialkit.words import said, spoken
from trialkit.words.header_limits import setting, source
from trialkit.words.lengths import Lengths, percent_of


@part()
def headline(context: Context) -> Iterator[Element]:
    """What to repair first, in one sentence."""
    config, text = context.config, context.letters.text
    found = reports(context)
    first, *others = (text(_headline(report, several(context))) for report in found)
    extents = words.extents([report.extent for report in found])
    yield Group("headline", (
        Sentence(f"{context.letters.title}, {config.season}", "kicker"), Heading(first, 1),
        *(Sentence(other, "extent") for other in others), Sentence(text(extents), "grade"),
    ), "header")  # fmt: skip


def _headline(report: HeaderReport, named: bool) -> str:
    repairs = [item.label for item in report.items if item.grade == "repair"]
    others = [item.label for item in report.items if item.grade != "repair"]
    return words.headline(
        report.header, repairs, others, measured=report.measured,
        bare=bool(report.rows["bare"].any()),
        whole=bool(report.items) and report.items[0].whole, several=named,
    )  # fmt: skip


@part("cautions", words.title("cautions"))
def cautions(context: Context) -> Iterator[Element]:
    """The cautions for anyone who touches a header."""
    yield Sentence(spoken("header_safety", "measuring")(), "defer")
    yield Bullets(safety.touching())
    yield Sentence(safety.defer())


@part()
def headers(context: Context) -> Iterator[Element]:
    """Every header: what to fix first, its rows, its gap, its speeds, its noise."""
    for one in each(context):
        for name in ONE:
            yield from (_named(one, element) for element in find(name).elements(one))


def _named(one: Context, element: Element) -> Element:
    """A section of one of several headers says which in its heading, and has a key of its own."""
    if not several(one):
        return element
    if isinstance(element, Group):
        return with_elements(element, (_named(one, each) for each in element.elements))
    if not isinstance(element, Section):
        return element
    at, title = one.options["place"], lower_first(plain(element.title))
    named = one.letters.text(words.of_header(one.options["report"].header, title))
    return replace(element, title=named, key=f"-{at}", level=3)


@part("limits", words.title("limits"))
def limits(context: Context) -> Iterator[Element]:
    """What the rows were judged by: every limit with its source."""
    yield Sentence(words.limits_lead())
    yield settings_table(reports(context)[0])


@part("gaps", words.title("gaps"))
def record(context: Context) -> Iterator[Element]:
    """What could not be said or used, and why."""
    yield Bullets((*noted(context), words.estimates_only()))
    if not context.trial.refused.empty:
        yield from refused_cells(context.trial, context.letters)


def noted(context: Context) -> tuple[str, ...]:
    """What was not known of the headers, a sentence each."""
    notes = [note for report in reports(context) for note in said(report.notes)]
    return tuple(context.letters.text(words.not_known(note)) for note in dict.fromkeys(notes))


def settings_table(report: HeaderReport) -> Table:
    """Every limit and every size of the row unit used, with its source, or that it was given."""
    say = Lengths(report.system)
    rows = [
        (setting(each.name), _setting(value, SOURCES[each.name].kind, say),
         source(source_of(used, each.name)))
        for used in (report.limits, report.unit) for each in settings_of(used)
        if (value := getattr(used, each.name)) is not None
    ]  # fmt: skip
    caption, head = words.limits_table()
    return Table(caption, tuple(head), tuple(rows), kind="cards")


def _setting(value: Any, kind: str, say: Lengths) -> str:
    low, high = value if isinstance(value, tuple) else (value, None)
    if kind == "length":
        if isinstance(value, Assumed):
            return words.may_be(say.given(low), say.between(value.low, value.high))
        return say.given(low) if high is None else say.between(low, high, say.given)
    if kind == "percent":
        return f"{low:g} %"
    if kind == "share":
        return percent_of(low)
    if kind == "speed":
        return say.speed(3.6 * low)
    return f"{low:g}" if high is None else f"{low:g} to {high:g}"
