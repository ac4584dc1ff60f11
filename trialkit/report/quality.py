"""The data-quality part of a page: what could not be used, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.quantities import number
from trialkit.report.fragments import paragraph, table
from trialkit.report.letters import Letters
from trialkit.report.wording import counted, listed

if TYPE_CHECKING:
    from trialkit.trial import Trial

ROWS_SHOWN = 40


def quality(trial: Trial, letters: Letters) -> list[str]:
    """A line on how many rows were refused, and the table of the cells at fault, as HTML.

    Cells refused alike share a row, so that one slip in a column does not fill the page.
    """
    rows_in, rows_out = (int(trial.read[c].sum()) for c in ("rows_in", "rows_refused"))
    line = f"Of {counted(rows_in, 'row')} in the trial's files "
    waiting = [paragraph(trial.to_fill)] if trial.to_fill else []
    if trial.refused.empty:
        return ["<h3>Data quality</h3>", paragraph(line + "none was refused."), *waiting]
    rest = "" if waiting else "; nothing else was left out"
    line += f"{number(rows_out, 0)} could not be used, for the reasons listed here{rest}."
    alike: dict[tuple[str, str, str, str], list[str]] = {}
    for r in trial.refused.itertuples():
        value = _short(letters.cell(r.column, "" if pd.isna(r.value) else r.value))
        # "sheet frames" of whatever workbook: its name is the user's own, and may be a person's.
        file = str(r.file).rpartition(".xlsx, ")[2]
        key = (file, str(r.column), value, letters.text(r.expected))
        alike.setdefault(key, []).append(str(r.line))
    rows = [
        [f"{file}, {_lines(lines)}", column, value, expected]
        for (file, column, value, expected), lines in list(alike.items())[:ROWS_SHOWN]
    ]
    parts = [
        "<h3>Data quality</h3>",
        paragraph(line),
        *waiting,
        table("Refused cells", ["where", "column", "what stood there", "expected"], rows),
    ]
    if len(alike) > ROWS_SHOWN:
        parts.append(paragraph("More are listed by: trialkit check FOLDER --all"))
    return parts


def _lines(lines: list[str], shown: int = 3) -> str:
    """ "line 4", "lines 4, 5 and 6", "lines 4, 5, 6 and 141 more"."""
    if len(lines) <= shown:
        return f"{'line' if len(lines) == 1 else 'lines'} {listed(lines)}"
    return f"lines {', '.join(lines[:shown])} and {len(lines) - shown:,} more"


def _short(text: str, length: int = 60) -> str:
    """A cell's text, cut where it would fill the page."""
    return text if len(text) <= length else text[: length - 1] + "…"
