"""A second table in the same sheet or file: beside the first, beyond an empty column, or below it.

The first is read. The second is refused once, in the row where its header row stands, with nothing
of it read: which of its rows belong to the trial only its writer knows.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from trialkit.intake.source import SourceTable, plain_name
from trialkit.words import sheets as words

_SAMPLE = 50  # rows that show which columns hold numbers
_MOST_BLOCKS = 500


def cut_beside(source: SourceTable, known: Collection[str]) -> SourceTable:
    """Take a table beside the first away, and rows that hold something only beyond an empty column.

    `known` are the names of columns that make a header cell.
    """
    names = [plain_name(cell) for cell in source.header]
    gaps = [k for k, cell in enumerate(source.header)
            if k and not cell.strip() and bool((source.columns[k] == "").all())]  # fmt: skip
    repeated = [k for k, n in enumerate(names) if n in known and n in names[:k]]
    if len(repeated) > 1:
        start = max((g + 1 for g in gaps if g < repeated[0]), default=repeated[0])
        first_name = min(_known_at(names, known), default=0)
        if start <= first_name or not set(names[first_name:start]).intersection(known):
            start = repeated[0]
        beside = [cell for cell in source.header[start:] if cell.strip()]
        source = replace(source, header=source.header[:start], columns=source.columns[:start])
        source = _only_with_cells(source, list(range(start)))
        # A row of its own, so that the refusal has a place and is counted.
        return _refused_at(source, 0, source.header_line, beside, words.second_beside(beside))
    for gap in gaps:
        if not set(names[gap:]).intersection(known):
            kept = _only_with_cells(source, list(range(gap)))
            lost = np.setdiff1d(source.lines, kept.lines)
            lost = lost[_filled(source)[np.searchsorted(source.lines, lost)]]
            if lost.size:
                kept.notes.append(words.apart(source.where, lost.tolist()))
                return kept
            break
    return source


def _known_at(names: list[str], known: Collection[str]) -> list[int]:
    """Positions of names that are known."""
    return [k for k, name in enumerate(names) if name in known]


def _filled(source: SourceTable) -> np.ndarray:
    filled = np.zeros(len(source.lines), bool)
    for column in source.columns:
        filled |= column != ""
    return filled


def _only_with_cells(source: SourceTable, positions: list[int]) -> SourceTable:
    keep = np.zeros(len(source.lines), bool)
    for k in positions:
        keep |= source.columns[k] != ""
    keep[[position for position, _, _ in source.faults]] = True
    return source.rows(keep, [])


def cut_below(
    source: SourceTable,
    known: Collection[str],
    distinct: tuple[np.ndarray, np.ndarray],
    incomplete: np.ndarray,
) -> SourceTable:
    """Take a table below the first away; a header row that is only repeated is passed over.

    `distinct` are codes and distinct texts of a column in which few texts stand; `incomplete` marks
    the rows in which a label is blank.
    """
    again, second = _header_rows(source, known, *distinct)
    block = _block_below(source, second if second is not None else len(source.lines), incomplete)
    second = block if block is not None else second
    if second is not None:
        again = [row for row in again if row < second]
        rest = np.flatnonzero(_filled(source)[second + 1 :]) + second + 1
        lines = source.lines[rest]
        value = [column[second] for column in source.columns if column[second]]
        expected = words.second_below(
            source.where, *((int(lines[0]), int(lines[-1])) if len(lines) else (0, 0)), len(lines)
        )
        line = int(source.lines[second])
        source = source.rows(np.arange(len(source.lines)) < second, [])
        source = _refused_at(source, len(source.lines), line, value, expected)
    if again:
        keep = np.ones(len(source.lines), bool)
        keep[again] = False
        told = words.header_again(source.where, source.lines[again].tolist())
        source = source.rows(keep, [told])
    return source


def _refused_at(
    source: SourceTable, position: int, line: int, value: list[str], expected: str
) -> SourceTable:
    """The table with a row that holds nothing and is at fault."""
    faults = [(p + (p >= position), v, e) for p, v, e in source.faults]
    return replace(
        source,
        lines=np.insert(source.lines, position, line),
        columns=[np.insert(column, position, "") for column in source.columns],
        faults=sorted([*faults, (position, ", ".join(value), expected)]),
    )


def _header_rows(
    source: SourceTable, known: Collection[str], codes: np.ndarray, texts: np.ndarray
) -> tuple[list[int], int | None]:
    """Rows that repeat the header row, and the first that is another table's."""
    named = np.fromiter((plain_name(text) in known for text in texts), bool, len(texts))
    own = [plain_name(cell) for cell in source.header]
    again: list[int] = []
    for row in np.flatnonzero(named[codes]).tolist()[:_MOST_BLOCKS] if named.any() else []:
        names = [plain_name(column[row]) for column in source.columns]
        given = [name for name in names if name]
        if len(given) < 2 or len(_known_at(given, known)) < 2 / 3 * len(given):
            continue
        follows = row and source.lines[row] == source.lines[row - 1] + 1 and _any(source, row - 1)
        if names == own and (follows or not row):
            again.append(row)
        else:
            return again, row
    return again, None


def _any(source: SourceTable, row: int) -> bool:
    return any(column[row] for column in source.columns)


def _block_below(source: SourceTable, end: int, incomplete: np.ndarray) -> int | None:
    """The first row of another table with names that are not known: after a blank row come words
    where numbers stand above, none of which stands above, and numbers follow."""
    lines = source.lines
    starts = np.flatnonzero(np.diff(lines[:end]) > 1) + 1
    if incomplete.any():
        empty = incomplete[:end].copy()
        for column in source.columns:
            empty[empty] = column[:end][empty] == ""
        starts = np.union1d(starts, np.flatnonzero(empty[:-1] & ~empty[1:]) + 1)
    if not starts.size or len(starts) > _MOST_BLOCKS:
        return None
    numeric = [k for k, column in enumerate(source.columns) if _numeric(column[: starts[0]])]
    for row in starts.tolist():
        cells = [column[row].strip() for column in source.columns]
        given = [k for k, cell in enumerate(cells) if cell]
        after = [column[row + 1].strip() for column in source.columns] if row + 1 < end else []
        if (
            len(given) > 1
            and not any(_begins_number(cells[k]) for k in given)
            and any(cells[k] for k in numeric)
            and any(map(_begins_number, after))
            and not any(stands_above(source.columns[k], row) for k in given)
        ):
            return row
    return None


def _numeric(column: np.ndarray) -> bool:
    given = [text for text in column[:_SAMPLE] if text]
    return bool(given) and sum(map(_begins_number, given)) >= 0.8 * len(given)


def _begins_number(text: str) -> bool:
    return text.lstrip("+-−.")[:1].isdigit()


def stands_above(column: np.ndarray, row: int) -> bool:
    """Whether the text of a cell stands higher up in its column too."""
    text = column[row].strip().casefold()
    return any(text == cell.strip().casefold() for cell in column[: min(row, 2000)])
