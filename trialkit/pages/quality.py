"""The data-quality part of a page: what could not be used, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.elements import Element, Heading, Sentence, table
from trialkit.pages.letters import Letters
from trialkit.words import quality as words

if TYPE_CHECKING:
    from trialkit.trial import Trial

ROWS_SHOWN = 40


def refused_cells(trial: Trial, letters: Letters) -> tuple[Element, ...]:
    """A line on how many rows were refused, and the table of the cells at fault.

    Cells refused alike share a row, so that one slip in a column does not fill the page.
    """
    rows_in, rows_out = (int(trial.read[c].sum()) for c in ("rows_in", "rows_refused"))
    refused = None if trial.refused.empty else rows_out
    line = words.rows_refused(rows_in, refused, bool(trial.to_fill))
    told: list[Element] = [Heading("Data quality", 3), Sentence(line)]
    if trial.to_fill:
        told.append(Sentence(trial.to_fill))
    if trial.refused.empty:
        return tuple(told)
    alike: dict[tuple[str, str, str, str], list[str]] = {}
    for r in trial.refused.itertuples():
        value = _short(letters.cell(r.column, "" if pd.isna(r.value) else r.value))
        # "sheet frames" of whatever workbook: its name is the user's own, and may be a person's.
        file = str(r.file).rpartition(".xlsx, ")[2]
        key = (file, str(r.column), value, letters.text(r.expected))
        alike.setdefault(key, []).append(str(r.line))
    rows = [
        [f"{file}, {words.lines(lines)}", column, value, expected]
        for (file, column, value, expected), lines in list(alike.items())[:ROWS_SHOWN]
    ]
    head = ["where", "column", "what stood there", "expected"]
    more = [Sentence(words.more_listed())] if len(alike) > ROWS_SHOWN else []
    return (*told, table("Refused cells", head, rows), *more)


def _short(text: str, length: int = 60) -> str:
    """A cell's text, cut where it would fill the page."""
    return text if len(text) <= length else text[: length - 1] + "…"
