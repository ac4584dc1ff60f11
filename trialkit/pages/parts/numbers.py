"""All numbers of a trial: every comparison in one table, files to save, how to run it again."""

from __future__ import annotations

import base64
from collections.abc import Iterable

import pandas as pd

from trialkit.analysis.family import ADJUSTED
from trialkit.decide.verdict import verdict
from trialkit.pages import advice
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Element,
    File,
    Files,
    Group,
    Heading,
    Sentence,
    bullets,
    table,
)
from trialkit.pages.export import (
    csv_bytes,
    models,
    nameless,
    scripts,
    tables,
    workbook_bytes,
)
from trialkit.pages.parts.responses import every_asked, told_in_full
from trialkit.pages.registry import part
from trialkit.pages.response.asked import SEED, SIMULATED, SIMULATED_BRIEF
from trialkit.pages.response.statements import printed
from trialkit.pages.summary import summary
from trialkit.pages.versions import now, versions
from trialkit.quantities import lower_first
from trialkit.words import files as file_words
from trialkit.words import researcher as words
from trialkit.words.field_day import simulated

CSV = "text/csv;charset=utf-8"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@part("answer", words.SECTIONS["answer"])
def answer(page: Context) -> Iterable[Element]:
    """Every comparison of every response in one table, and what follows."""
    text = page.letters.text
    said = summary(page.analysis)
    rows = [[text(cell) for cell in row] for row in said.to_numpy(dtype=str)]
    yield table(words.every_comparison(page.percent, ADJUSTED), list(said.columns), rows)
    yield Heading(words.follows_title(), 3)
    yield bullets(map(text, advice.told(verdict(page.analysis))))
    if page.analysis.skipped:
        yield bullets(map(text, page.analysis.skipped.values()))


def every_table(page: Context) -> dict[str, pd.DataFrame]:
    """Every table of the page, letters for names: those of the analysis, and of its checks."""
    every = every_asked(page)
    full = {n: every[n] for n in told_in_full(page) if n in every}
    more = {
        "pairwise": {n: pd.concat([t.assign(factor=f) for f, t in a.pairwise.items()])
                     for n, a in every.items() if a.pairwise},
        "checks": {n: a.check.checks if n in full else a.brief_check.checks
                   for n, a in every.items()},
        "left_out": {n: a.check.influence for n, a in full.items()},
        "alternatives": {n: a.alternatives.table for n, a in every.items()},
    }  # fmt: skip
    out = tables(page.analysis)
    for name, parts in more.items():
        known = {n: t for n, t in parts.items() if len(t)}
        if known:
            joined = pd.concat(known, names=["response"]).reset_index(level="response")
            out[name] = nameless(joined, page.letters)
    return out


@part("downloads", file_words.title())
def downloads(page: Context) -> Iterable[Element]:
    """All numbers, as files inside the page; the primary response's model for other programs."""
    own = {name: found for name, found in every_table(page).items() if len(found)}
    book = File("analysis.xlsx", XLSX, _encoded(workbook_bytes(own)), file_words.workbook())
    stated = models(page.analysis, page.letters)
    yield Sentence(file_words.inside(), "screen")
    yield Files((
        book,
        *(File(f"{name}.csv", CSV, _encoded(csv_bytes(found)), file_words.named(name),
               file_words.rows(len(found))) for name, found in own.items()),
        *(File(name, "text/plain;charset=utf-8", _encoded(data), file_words.script(name))
          for name, data in scripts(stated).items()),
    ))  # fmt: skip
    yield Sentence(file_words.on_screen(), "paper")
    primary = page.analysis.responses[page.analysis.primary]
    own_models = [model for model in stated if model.response == primary.response]
    integrated = not all(isinstance(judge, float) for judge in primary.judges.values())
    yield from printed(own_models, integrated)


def _encoded(data: bytes) -> str:
    return base64.b64encode(data).decode()


@part()
def colophon(page: Context) -> Iterable[Element]:
    """What it takes to run it again."""
    every = every_asked(page)
    full = [lower_first(every[n].result.title) for n in told_in_full(page) if n in every]
    items = [
        *([simulated()] if page.simulated else []),
        words.fingerprint(page.trial.data_hash()),
        words.versions(list(versions().items())),
        words.seeds(SEED, full, SIMULATED, SIMULATED_BRIEF),
        words.computed(now()),
        words.names(page.letters.agreed),
        words.estimates_only(),
    ]
    heading = Heading(words.SECTIONS["reproduce"], 2, "reproduce")
    return (Group("colophon", (heading, bullets(items)), "footer"),)
