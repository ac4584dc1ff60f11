"""Settling conflicts of what phones counted: by newer revisions of their entries.

Nothing that was added is changed. A file is put beside it, in which an entry is void or is called
otherwise under its next revision; so an export added again does not bring the old one back, and a
correction made on the phone later comes before it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime

from trialkit.errors import TrialError
from trialkit.intake.added import (
    DROPPED,
    HEAD,
    Entry,
    Export,
    Standing,
    fingerprint,
    free_name,
)
from trialkit.responses import schema

_ENTRY = re.compile(r"\(entry (\w+-\d+)\)")


def entries_in(conflict: str) -> list[str]:
    """The phones' entries that a conflict names."""
    return _ENTRY.findall(conflict)


def settled(
    stands: Standing, files: Collection[str], strips: Sequence[str], drop: Sequence[str],
    apart: Sequence[str], conflicts: Sequence[str],
) -> dict[str, bytes]:  # fmt: skip
    """Files that void entries (`drop`), and that call otherwise the frames and samples of phones
    (`apart`) that `conflicts` names; `files` are the names of those there are.

    Raises
    ------
    TrialError
        Where there is no such entry, or nothing of a phone is in conflict.
    """
    there = {entry.name: entry for entry in stands.entries()}
    newest = _newest(stands.exports)
    wanted = {entry.strip().upper(): "" for entry in drop}
    for phone in (name.strip().upper() for name in apart):
        own = [e for text in conflicts for e in entries_in(text) if _phone(e) == phone]
        own = [e for e in own if e in there and _label(there[e].table) and e not in wanted]
        if not own:
            raise TrialError(f"no frame or sample of phone {phone} is in conflict with another")
        wanted |= dict.fromkeys(own, phone)
    if unknown := [entry for entry in wanted if entry not in there]:
        raise TrialError(
            f"the trial holds no entry {', '.join(unknown)}; entries are named as trialkit check "
            "names them, as K7QF-12"
        )
    out: dict[str, bytes] = {}
    for phone in dict.fromkeys(map(_phone, wanted)):
        rows = [_revised(there[entry], newest[entry] + 1, new, fingerprint(strips))
                for entry, new in wanted.items() if _phone(entry) == phone]  # fmt: skip
        out[free_name(phone, [*files, *out])] = _csv(rows)
    return out


def _newest(exports: Iterable[Export]) -> dict[str, int]:
    """The newest revision of every entry."""
    newest: dict[str, int] = {}
    for export in exports:
        for row in export.rows.itertuples():
            entry = f"{row.phone}-{row.entry}"
            newest[entry] = max(newest.get(entry, 0), int(row.revision))
    return newest


def _revised(entry: Entry, revision: int, new: str, trial: str) -> dict[str, object]:
    """An entry's next revision: void, or with what is `new` behind its label."""
    label = _label(entry.table)
    cells: dict[str, object] = {
        head: f"{text} {new}" if new and column == label else text
        for column, head, text in entry.cells()
    }
    phone, number = entry.name.split("-")
    now = datetime.now().astimezone().isoformat("T", "seconds")
    own = (trial, phone, number, revision, "" if new else DROPPED, now, entry.table)
    return {**cells, **dict(zip(HEAD, own, strict=True))}


def _csv(rows: Sequence[Mapping[str, object]]) -> bytes:
    heads = dict.fromkeys(head for row in rows for head in row if head not in HEAD)
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, [*HEAD, *heads], restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue().encode()


def _phone(entry: str) -> str:
    return entry.partition("-")[0]


def _label(table: str) -> str:
    """The column that tells the rows of a strip apart, where it is only a label."""
    key = schema.TABLES[table].key
    return key[-1] if key and key[-1] in ("frame", "sample") else ""
