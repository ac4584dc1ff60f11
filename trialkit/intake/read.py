"""Reading a trial, folder or workbook, into SI tables and the list of what was refused."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import TrialError
from trialkit.intake.added import (
    FOLDER,
    Export,
    Parse,
    Part,
    Standing,
    added_files,
    added_folder,
    beside,
    fingerprint,
    left_in,
    not_added,
    read_export,
    standing,
)
from trialkit.intake.addresses import Addresses
from trialkit.intake.check import CheckedTable, check_table, no_faults, one_to_a_line
from trialkit.intake.config import TrialConfig, check_config, read_toml
from trialkit.intake.decode import clean_utf8
from trialkit.intake.delimited import read_delimited
from trialkit.intake.fates import note_doubtful_fates, wait_for_nobody
from trialkit.intake.former import take_former
from trialkit.intake.halves import half_gaps, half_questions
from trialkit.intake.joined import check_joined, without
from trialkit.intake.plan_sheet import PLAN
from trialkit.intake.reading import check_memory, read_file
from trialkit.intake.relations import (
    match_fields,
    match_grounds,
    match_headers,
    note_thin_pairs,
    refuse_changed_main_strips,
    refuse_repeats,
    refuse_unknown,
)
from trialkit.intake.sheet_shape import needed_names, shaped
from trialkit.intake.source import SourceTable
from trialkit.intake.stray_rows import tell_stray_rows
from trialkit.intake.workbook import SETTINGS, Workbook
from trialkit.intake.workbook_file import SPREADSHEETS, refuse_other_kind
from trialkit.responses import schema
from trialkit.words import added as added_words
from trialkit.words import readings

_SHEETS_OF_OURS = {SETTINGS, "readme", PLAN}


@dataclass(frozen=True, slots=True, eq=False)
class Intake:
    """Everything one read yields.

    `tables` are in SI, one per table of the schema (empty when absent). `refused` has one row per
    fault: file, line, column, value, expected, lost ("row", or "cell" where the rest of the row
    stays), because (the refused row it hangs on; empty where the fault is its own).
    `read` has one row per file: table, file, rows_in, rows_kept, rows_refused, rows_not_filled,
    rows_not_due, notes (one to a line); rows_in is the sum of the next three, and a row in is a
    data row that is not blank. A row of a response table is not filled in yet when its names are
    there and nothing measured is; with any other fault it is refused. Of the rows not filled in,
    those not due wait for nobody (`trialkit.intake.fates`). Files that are no table of the trial
    stand there too, with an empty table.
    `extra` holds, by table, the text of columns that are not the table's, row for row with it.
    What phones counted stands in the tables too, and their files in `read`, a row for every table
    in them (see `trialkit.intake.added`).
    `digest` is the SHA-256 of the source files, the phones' among them. `addresses` says, by file,
    where a spreadsheet shows its cells.
    """

    config: TrialConfig
    tables: dict[str, pd.DataFrame]
    refused: pd.DataFrame
    read: pd.DataFrame
    extra: dict[str, pd.DataFrame]
    digest: str
    addresses: dict[str, Addresses]


def read_trial(
    path: str | Path, *, strips: bool = True, more: Mapping[str, bytes] | None = None,
    parse: Parse = read_export,
) -> Intake:  # fmt: skip
    """Read a trial folder or workbook.

    A bad cell never stops the read and is never dropped in silence: it is refused with the reason.
    Of a key or a required column it refuses its row; of any other it is missing, and the rest of
    the row is kept. A row of a response table also goes where nothing measured is left in it, where
    a blank cell would stand for one of the levels, or where what is left says nothing without it.

    Parameters
    ----------
    path : path
    strips : bool
        Whether there must be a strips table; without one, tables that refer to strips are not read.
    more : mapping of str to bytes, optional
        Exports of phones by name, read as if the trial kept them.
    parse : callable
        What reads one export.

    Raises
    ------
    TrialError
        When there is no such path, no settings or faulty ones, or no strips table where one is due.
    """
    path = Path(path)
    try:
        if not path.exists():
            raise TrialError(f"{path} does not exist; give the folder or the workbook of a trial")
        config, sources, unread, digest = _folder(path) if path.is_dir() else _workbook(path)
        kept = dict(sorted({**added_files(path), **(more or {})}.items()))
        unread |= {f"{FOLDER}/{name}": added_words.no_csv() for name in not_added(path)}
    except OSError as error:
        raise TrialError(f"{error.filename or path} cannot be read: {error.strerror}") from None
    for name, raw in kept.items():
        digest = hashlib.sha256(digest.encode() + _stamp(name, raw)).hexdigest()
    stands = standing(_exports(kept, unread, parse))
    if "strips" not in sources and not strips:
        for name in [n for n in sources if _refers_to_strips(n)]:
            unread[sources.pop(name).file] = readings.no_strips_to_refer_to()
        parts = {n: p for n, p in stands.parts.items() if not _refers_to_strips(n)}
        stands = replace(stands, parts=parts)
    elif "strips" not in sources:
        raise TrialError(
            f"{path} has no strips table, and every other table refers to it; "
            f"it needs a {'file strips.csv' if path.is_dir() else 'sheet strips'} with the columns "
            + ", ".join(c.name for c in schema.table("strips", config.setups).columns if c.required)
        )
    checked = check_all(config, sources, stands.parts)
    if "strips" in checked and path.is_file() and (others := beside(path)):
        mark = fingerprint(checked["strips"].kept()["strip"])
        unread |= {f"{other.name}/": added_words.goes_with_another(added_folder(path).name)
                   for other in others if left_in(other, mark, kept)}  # fmt: skip
    return _intake(config, checked, unread, digest, stands)


def _exports(
    kept: Mapping[str, bytes], unread: dict[str, str], parse: Parse
) -> list[Export]:
    """The files phones exported; one that is none is told among those not read."""
    exports = []
    for name, raw in kept.items():
        try:
            exports.append(parse(raw, name))
        except TrialError as error:
            unread[f"{FOLDER}/{name}"] = readings.not_read(str(error))
    return exports


def _refers_to_strips(name: str) -> bool:
    return any(column.name == "strip" for column in schema.TABLES[name].columns)


def check_all(
    config: TrialConfig, sources: dict[str, SourceTable], added: Mapping[str, list[Part]]
) -> dict[str, CheckedTable]:
    """Check every table, first by itself and then against the tables it refers to."""
    checked: dict[str, CheckedTable] = {}
    for name in schema.TABLES:
        if name not in sources and name not in added:
            continue
        layout = schema.table(name, config.setups)
        source = sources.pop(name, None)
        if source is not None and name not in added:
            table = check_table(source, layout, config, (take_former,))
        else:
            table = check_joined(source, added[name], layout, config, (take_former,))
        tell_stray_rows(table)
        if name != "strips" and "strip" in table.folded:
            refuse_unknown(table, "strip", checked["strips"])
        elif layout.of_a_field:
            match_grounds(table, checked.get("strips"), checked.get("fields"))
        if name == "strips" and "fields" in checked:
            match_fields(table, checked["fields"])
        table = without(table, refuse_repeats(table), told=True)
        if name == "strips":
            refuse_changed_main_strips(table, config.setups)
            note_thin_pairs(table, config.setups)
        if name == "header_check" and "strips" in checked:
            match_headers(checked["strips"], table)
        if name == "header_check":
            table.notes += half_questions(half_gaps(table.kept()), config.units)
        checked[name] = table
    note_doubtful_fates(checked)
    return checked


def _intake(
    config: TrialConfig, checked: dict[str, CheckedTable], unread: dict[str, str], digest: str,
    stands: Standing,
) -> Intake:  # fmt: skip
    tables = {
        name: checked[name].kept() if name in checked else schema.empty(name, config.setups)
        for name in schema.TABLES
    }
    extra: dict[str, pd.DataFrame] = {}
    read, faults, excused = [], [], wait_for_nobody(checked)
    for name, table in checked.items():
        read += _counts(name, table, excused[name])
        if table.extra:
            extra[name] = table.kept_extra()
        if table.faults:
            faults.append(table.fault_table())
    for export in stands.exports:
        n, note = len(export.faults), stands.notes[export.file]
        if n or note:
            read.append(("", export.file, n, 0, n, 0, 0, note))
        if n:
            faults.append(_of_no_table(export))
    read += [("", name, 0, 0, 0, 0, 0, why) for name, why in unread.items()]
    refused = pd.concat(faults, ignore_index=True) if faults else no_faults()
    at = {t.file: t.addresses for t in checked.values() if t.addresses is not None}
    at |= {export.file: export.addresses for export in stands.exports}
    return Intake(
        config, tables, refused, pd.DataFrame(read, columns=_READ_COLUMNS), extra, digest, at
    )


def _counts(name: str, table: CheckedTable, excused: np.ndarray) -> list[tuple[Any, ...]]:
    """Rows in, kept, refused, not filled in and not due of a table, file by file."""
    waiting = table.waiting & ~table.refused
    masks = (np.ones(len(table.lines), bool), table.sound, table.refused, waiting, excused)
    files = (table.file,) if table.places is None else table.places.files
    of = np.zeros(len(table.lines), int) if table.places is None else table.places.of(table.lines)
    notes = [one_to_a_line(table.notes)]
    notes += [] if table.places is None else table.places.notes[1:]
    out = []
    for k, file in enumerate(files):
        given, kept, *others = (int((mask & (of == k)).sum()) for mask in masks)
        within = table.places.within[k] if table.places and table.places.within else 0
        out.append((name, file, given + within, kept + within, *others, notes[k]))
    return out


def _of_no_table(export: Export) -> pd.DataFrame:
    """Rows of an export that cannot be read as entries, as refusals."""
    frame = pd.DataFrame(export.faults, columns=["line", "column", "value", "expected"])
    frame.insert(0, "file", export.file)
    return frame.assign(lost="row", because="")


_READ_COLUMNS = ["table", "file", "rows_in", "rows_kept", "rows_refused", "rows_not_filled",
                 "rows_not_due", "notes"]  # fmt: skip


def no_reads() -> pd.DataFrame:
    """The list of files read when there are none."""
    return pd.DataFrame(columns=_READ_COLUMNS)


_Sources = tuple[TrialConfig, dict[str, SourceTable], dict[str, str], str]


def _folder(path: Path) -> _Sources:
    listed = sorted(path.iterdir())
    settings = _only(path, listed, "trial.toml", "the settings")
    if settings is None:
        books = [p.name for p in listed if p.name.casefold().endswith(".xlsx")]
        hint = readings.read_the_workbook(str(path / books[0])) if books else ""
        raise TrialError(
            f"{path} is no trial folder: it holds no trial.toml. {hint}"
            "A new trial folder: trialkit new FOLDER"
        )
    found = {n: _only(path, listed, f"{n}.csv", f"the table {n}") for n in schema.TABLES}
    tables = {name: file for name, file in found.items() if file is not None}
    others = [p.name for p in listed if p not in tables.values() and _like_a_table(p)]
    unread = _unread(others, ".csv", tables)
    check_memory(tables.values(), path)
    raw = read_file(settings, "settings_bytes", inside=path)
    digest = hashlib.sha256(_stamp("trial.toml", raw))
    config = read_toml(clean_utf8(raw)[0].decode(), settings.name)
    sources = {}
    for name, file in tables.items():
        raw = read_file(file, inside=path)
        digest.update(_stamp(f"{name}.csv", raw))
        layout = schema.table(name, config.setups)
        known = {c.name for c in layout.columns}
        source = read_delimited(raw, file.name, known, needed_names(layout))
        sources[name] = shaped(source, layout)
    return config, sources, unread, digest.hexdigest()


def _stamp(name: str, content: bytes) -> bytes:
    return f"{name}:{len(content)}:".encode() + content


def _only(path: Path, listed: Sequence[Path], name: str, what: str) -> Path | None:
    """The one file of this name, capitals put aside."""
    found = [p for p in listed if p.name.casefold() == name]
    if len(found) > 1:
        names = ", ".join(p.name for p in found)
        raise TrialError(f"{path} holds {names}: keep one file for {what}")
    return found[0] if found else None


def _like_a_table(path: Path) -> bool:
    """Whether a file is one of tables by its ending, or has a table's name up to its first point:
    frames.csv.txt, of which an ending may not be shown, frames.ods, frames."""
    name = path.name.casefold()
    if name.startswith(("~", ".")):
        return False
    return name.endswith((".csv", ".tsv", ".xlsx", ".xls")) or (
        name.partition(".")[0].strip() in schema.TABLES and path.is_file()
    )


def _unread(names: Sequence[str], suffix: str, there: Collection[str]) -> dict[str, str]:
    """Files or sheets of no table's name, with what may be meant where that is not `there`;
    `suffix` is that of tables."""
    reasons = {}
    for name in names:
        first, stem = name.partition(".")[0].strip(), name.rpartition(".")[0] if suffix else name
        stem = first if first.casefold() in schema.TABLES else stem
        near = difflib.get_close_matches(stem.casefold(), schema.TABLES, 1, 0.7)
        meant = [f"{table}{suffix}" for table in near if table not in there]
        how = "save" if suffix and name.casefold().endswith(SPREADSHEETS) else "rename"
        reasons[name] = readings.no_such_table("".join(meant), how)
    return reasons


def _workbook(path: Path) -> _Sources:
    if path.suffix.casefold() not in (".xlsx", ".xlsm"):
        refuse_other_kind(path)
        raise TrialError(
            f"{path} is neither a folder nor an .xlsx workbook; give the folder that holds "
            "trial.toml, or the workbook"
        )
    raw = read_file(path)
    book = Workbook(raw, path.name)
    settings = book.settings()
    config = check_config(settings, f"{path.name}, sheet {book.sheets[SETTINGS]}", book.places)
    sources = {
        n: book.table(book.sheets[n], schema.table(n, config.setups), config)
        for n in schema.TABLES if n in book.sheets
    }  # fmt: skip
    others = [t for n, t in book.sheets.items() if n not in sources and n not in _SHEETS_OF_OURS]
    digest = hashlib.sha256(_stamp("workbook", raw)).hexdigest()
    return config, sources, _unread(others, "", sources), digest
