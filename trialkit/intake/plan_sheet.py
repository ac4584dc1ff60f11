"""The sheet of a workbook that keeps the plan a trial was made from.

Two columns, key and value. A value is JSON; a list takes a row for each of its entries, so that no
cell comes near what a cell may hold (32,767 characters).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from trialkit.errors import TrialError
from trialkit.intake.reading import read_file
from trialkit.intake.sheet_cells import read_cells
from trialkit.intake.workbook_file import open_book

PLAN = "plan"
_LONGEST = 32_000


def plan_rows(record: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Keys and values of the sheet that keeps this record.

    Raises
    ------
    TrialError
        When an entry is longer than a cell can be.
    """
    for key, value in record.items():
        for entry in value if isinstance(value, list) else [value]:
            text = json.dumps(entry)
            if len(text) > _LONGEST:
                raise TrialError(
                    f"{key} of the plan is too long for a cell of a workbook; begin a folder "
                    "instead: trialkit new FOLDER --from PLAN"
                )
            yield key, text


def read_plan_sheet(path: Path, lists: frozenset[str]) -> dict[str, Any] | None:
    """The record that a workbook keeps; None where it has no such sheet, or cannot be opened.

    Parameters
    ----------
    path : Path
    lists : frozenset of str
        Keys whose value is a list, of as many rows as there are.

    Raises
    ------
    TrialError
        When the sheet is damaged or beyond a limit.
    ValueError
        When a value is no JSON.
    """
    try:
        book = open_book(read_file(path), path.name)
    except TrialError:  # the trial's own reading tells of it
        return None
    sheet = next((s for s in book.worksheets if s.title.strip().casefold() == PLAN), None)
    if sheet is None:
        return None
    record: dict[str, Any] = {key: [] for key in sorted(lists)}
    for row in read_cells(sheet, f"{path.name}, sheet {sheet.title}").rows()[1:]:
        key, value = row.get(1), row.get(2)
        if key is None or value is None:
            continue
        entry = json.loads(value) if isinstance(value, str) else value
        if str(key) in lists:
            record[str(key)].append(entry)
        else:
            record[str(key)] = entry
    return record
