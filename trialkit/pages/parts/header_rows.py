"""One header row by row: what to fix first, the rows drawn, their verdicts and readings."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from typing import Any

from trialkit import plots
from trialkit.facts import Note
from trialkit.header import HeaderItem
from trialkit.header.check import OTHERS
from trialkit.header.limits import source_of
from trialkit.header.plates import ENDS, GAPS, PLACES, PLATES, STATIONS
from trialkit.header.rolls import FLUTE, WEAR
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Abreast,
    Beside,
    Bullets,
    Element,
    Figure,
    Folded,
    Group,
    Heading,
    Item,
    Marked,
    Section,
    Sentence,
    Table,
    Words,
    figure,
)
from trialkit.pages.header_checked import Said, loss, several
from trialkit.pages.header_noise import noise_words
from trialkit.pages.header_tables import short_verdict
from trialkit.pages.registry import part
from trialkit.plots import Plot
from trialkit.quantities import number, upper_first
from trialkit.words import header_figures, said, say
from trialkit.words import header_page as words
from trialkit.words.header_limits import limit_and_source, source

LONG_ADVICE = 80  # letters
OPTION = re.compile(r"(--[a-z-]+)")


@part()
def title(context: Context) -> Iterator[Element]:
    """The header's name, where there are several."""
    if several(context):
        told, place = Said(context), context.options["place"]
        name = told.letters.text(words.header_named(told.report.header))
        yield Group("one", (Heading(name, 2, f"header-{place}"),))


@part("fix", words.title("fix"))
def fix_first(context: Context) -> Iterator[Element]:
    """What to repair, first things first: which row, what, by how much, why."""
    told = Said(context)
    every = told.report.items
    plan = plots.header_plan(told.report)
    yield _figure(told, plan, header_figures.plan_caption(plan.summary))
    if every:
        yield Bullets(tuple(_item(told, item, every) for item in every), numbered=True)
    else:
        yield told.sentence(told.report.first_words)
    spoken = " ".join(text for item in every for text in said((*item.found, *item.do)))
    if option := OPTION.search(spoken):
        yield told.sentence(words.options(option[0]), "quiet")
    yield told.sentence(noise_words(told.report, loss(context), _ratio(context))[0], "quiet")


def _ratio(context: Context) -> float | None:
    ratio: float | None = context.options["loss_ratio"]
    return ratio


def _item(told: Said, item: HeaderItem, every: Sequence[HeaderItem]) -> Item:
    label, found = told.text(item.label), told.text(upper_first("; ".join(said(item.found))))
    head = Sentence((Marked(f"{label}."), f" {found}."))
    alike = next(i for i in every if (i.do, i.why) == (item.do, item.why))
    if alike is not item:
        return Item((head, told.sentence(words.same_as(alike.label))))
    return Item((
        head,
        Sentence((Marked(f"{words.lead(item.grade)}:"), " ", *_runs(told, item, every, "do"))),
        Sentence((Marked(f"{words.why()}:"), " ", *_runs(told, item, every, "why"))),
    ))  # fmt: skip


def _runs(
    told: Said, item: HeaderItem, every: Sequence[HeaderItem], name: str
) -> Sequence[str | Marked]:
    """What to do or why, options of the command line set apart; what is long and was told above is
    not told again."""
    parts = []
    notes: Sequence[Note] = getattr(item, name)
    for note in notes:
        text = say(note)
        first = next(i for i in every if note in getattr(i, name))
        again = first is not item and len(text) >= LONG_ADVICE
        parts.append(told.letters.text(words.as_for(first.label)) if again else told.text(text))
    runs = OPTION.split(f"{'; '.join(dict.fromkeys(parts))}.")
    return [Marked(run, "code") if OPTION.fullmatch(run) else run for run in runs if run]


@part()
def drawing(context: Context) -> Iterator[Element]:
    """Every row unit from above, with gap, taper, clearance and verdict."""
    told = Said(context)
    report, drawn = told.report, plots.header_parts(told.report)
    labels, start, pictures = report.rows["row"].astype(str).tolist(), 0, []
    limit = source(source_of(report.limits, "guide_clearance"))
    for plot in drawn:
        some = labels[start : start + _lanes(plot)]
        start += len(some)
        pictures.append(_figure(told, plot, header_figures.rows_caption(some, limit)))
    found = told.table(
        words.found_caption(report.header), words.found_heads(),
        [[label, verdict] for label, verdict in zip(labels, report.verdicts, strict=True)],
        kind="found",
    )  # fmt: skip
    # What is drawn may leave its place on paper, so that no page before it stays half empty.
    if len(pictures) == 1:
        shown = Section("drawing", words.title("drawing"), (Beside(pictures[0], (found,)),))
        yield Group("afloat", (shown,))
    else:
        abreast = Group("afloat", (Abreast(tuple(pictures), "pictures"),))
        yield Section("drawing", words.title("drawing"), (abreast, found))


def _lanes(plot: Plot) -> int:
    return sum(1 for line in plot.axes[0].lines if line.get_gid() == "aim left")


@part("verdicts", words.title("verdicts"))
def verdicts(context: Context) -> Iterator[Element]:
    """One row of a table for every row unit, and every reading below it."""
    told = Said(context)
    report = told.report
    column = report.unit.roll_column
    rows = []
    for place, row in enumerate(report.rows.to_dict("records")):
        aside = max(
            (row["aside_front"], row["aside_rear"]),
            key=lambda v: -1.0 if math.isnan(v) else abs(v),
        )
        rows.append([
            str(row["row"]), short_verdict(report, place),
            *(told.cell(row[c]) for c in ("gap_front", "gap_rear", "taper")),
            told.cell(aside, True), told.cell(row["least_clearance"]), told.roll(row[column]),
        ])  # fmt: skip
    yield told.table(
        words.rows_caption(report.header, told.system), words.rows_heads(column), rows
    )
    limits = {
        name: limit_and_source(
            getattr(report.limits, name), source_of(report.limits, name), told.system
        )
        for name in ("crooked", "own_gap", "taper_off", "taper", "guide_clearance")
    }
    yield told.sentence(words.rows_read(limits, column))
    yield Folded(words.title("readings"), tuple(_readings(told)))


def _readings(told: Said) -> Iterator[Table]:
    """Every reading, part by part of the row unit."""
    header, records = told.report.header, told.report.rows.to_dict("records")
    caption, head = words.plates_table(header, told.system)
    yield told.table(caption, head, [
        [str(row["row"]), *(_asked(told, row, c) for c in GAPS),
         *(told.cell(row[c]) for c in PLATES),
         *(told.cell(row[f"own_{end}"], True) for end in ENDS)]
        for row in records
    ])  # fmt: skip
    yield told.table(words.guides_caption(header, told.system), words.guides_heads(PLACES), [
        [str(row["row"]), *(told.cell(row[c]) for c in STATIONS)] for row in records
    ], kind="tight")  # fmt: skip
    caption, head = words.rolls_table(header, told.system)
    yield told.table(caption, head, [
        [str(row["row"]), *(told.roll(row[c]) for c in WEAR), *(told.cell(row[c]) for c in FLUTE),
         told.speed(row["top_speed_low"]), told.speed(row["top_speed_high"]),
         *(told.cell(row[c]) for c in OTHERS[:3]),
         "" if math.isnan(row["chain_stretch"]) else number(row["chain_stretch"], 1),
         row["flaps"] if isinstance(row["flaps"], str) else ""]
        for row in records
    ])  # fmt: skip


def _asked(told: Said, row: dict[str, Any], column: str) -> str:
    """A gap, or with a question mark the reading nothing is judged by."""
    asked = row[column.replace("gap", "asked")]
    return told.cell(row[column]) if math.isnan(asked) else f"{told.cell(asked)}?"


def _figure(told: Said, plot: Plot, caption: str) -> Figure:
    plot.alt_text = told.letters.text(plot.alt_text)
    words: Words = told.text(caption)
    return figure(plot, words)
