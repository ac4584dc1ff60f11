"""What was written beside the numbers: notes of strips, frames and samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.elements import Element, Sentence, table
from trialkit.responses import TABLES
from trialkit.words import fates as words
from trialkit.words import privacy

if TYPE_CHECKING:
    from trialkit.pages.letters import Letters
    from trialkit.trial import Trial

SHOWN = 60


def field_notes(trial: Trial, letters: Letters) -> tuple[Element, ...]:
    """Every note, strip by strip; names and initials are withheld unless growers agreed."""
    order = {strip: n for n, strip in enumerate(trial.strips["strip"].astype(str), start=1)}
    names = [letters.strip(strip) for strip in order]
    found: list[tuple[int, str, str]] = []
    for name, layout in TABLES.items():
        own = trial.tables[name]
        if "note" not in own or "strip" not in own or own["note"].isna().all():
            continue
        within = [c.name for c in layout.columns
                  if (c.name in layout.key and c.name != "strip") or c.kind == "zone"]  # fmt: skip
        for row in own.dropna(subset=["note"]).to_dict("records"):
            parts = [name, *(str(row[c]) for c in within if pd.notna(row[c]))]
            of = words.of_strip() if name == "strips" else letters.text(" ".join(parts))
            found.append((order.get(str(row["strip"]), 0), of, letters.user_text(row["note"])))
    if not found:
        return (Sentence(words.no_notes()),)
    found.sort(key=lambda one: one[0])
    rows = [[names[n - 1], of, note] for n, of, note in found[:SHOWN]]
    told: list[Element] = [] if letters.agreed else [Sentence(privacy.numbered())]
    told.append(table(words.notes_title(), words.NOTES_HEAD, rows))
    if len(found) > SHOWN:
        told.append(Sentence(words.more_notes(len(found) - SHOWN)))
    return tuple(told)
