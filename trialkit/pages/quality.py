"""The data-quality part of a page: what could not be used, and why."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit.intake import causes
from trialkit.intake.heads import read_files
from trialkit.pages.elements import Element, Heading, Sentence, bullets, table
from trialkit.pages.letters import Letters
from trialkit.words import quality as words
from trialkit.words import readings
from trialkit.words.columns import COLUMNS

if TYPE_CHECKING:
    from trialkit.trial import Trial

CAUSES_SHOWN = 40


def refused_cells(trial: Trial, letters: Letters) -> tuple[Element, ...]:
    """A line on how many rows were refused, and the table of the causes."""
    told: list[Element] = [Heading("Data quality", 3), Sentence(refused_line(trial))]
    if trial.to_fill:
        told.append(Sentence(trial.to_fill))
    found = causes_told(trial, letters)
    if not found:
        return tuple(told)
    named = [replace(c, column=COLUMNS.get(c.column, c.column)) for c in found[:CAUSES_SHOWN]]
    shown = causes.table(named)
    more = [Sentence(words.more_listed())] if len(found) > CAUSES_SHOWN else []
    rows = [[str(cell) for cell in row] for row in shown.itertuples(index=False)]
    return (*told, table(words.causes_title(), list(shown.columns), rows), *more)


def how_read(trial: Trial, letters: Letters) -> tuple[Element, ...]:
    """Notes of reading and columns not read, an item a file; nothing where there are none."""
    items = [
        letters.user_text(words.read_so(file.file, [*filter(None, [file.aside]), *file.notes]))
        for file in read_files(trial.read, trial.extra, trial.tables)
    ]
    return (Heading(readings.title(), 3), bullets(items)) if items else ()


def refused_line(trial: Trial) -> str:
    """How many rows of how many were refused."""
    rows_in = int(trial.read["rows_in"].sum())
    lost = None if trial.refused.empty else causes.group(trial.refused).cost[1:]
    return words.rows_refused(rows_in, lost, bool(trial.to_fill))


def causes_told(trial: Trial, letters: Letters) -> tuple[causes.Cause, ...]:
    """Causes of refusals as they may be shown: letters for names, long values cut."""
    return tuple(
        replace(
            cause,
            values=tuple(_short(letters.cell(cause.column, value)) for value in cause.values),
            expected=letters.text(cause.expected),
        )
        for cause in causes.group(trial.refused).causes
    )


def _short(text: str, length: int = 60) -> str:
    """A cell's text, cut where it would fill the page."""
    return text if len(text) <= length else text[: length - 1] + "…"
