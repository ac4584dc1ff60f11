"""Labels for samples: strip and sample in large letters and as a code a telephone reads."""

from __future__ import annotations

import io
from dataclasses import dataclass, fields
from typing import Any

from trialkit.errors import ReportError
from trialkit.pages.field_paper.source import FieldTrial
from trialkit.responses import TABLES

MOST_MODULES = 57
"""Side of the largest code that is printed (QR version 10); in 20 mm its dots are 0.35 mm."""
SHEETS = {"us-letter": (215.9, 279.4), "a4": (210.0, 297.0)}  # mm


@dataclass(frozen=True, slots=True)
class LabelGrid:
    """A sheet of labels: rows and columns of equal labels between margins, in mm.

    `first` is the place of the first label to print, row by row from 1, for a sheet that was begun
    before.
    """

    rows: int = 8
    columns: int = 2
    top: float = 12.0
    bottom: float = 12.0
    left: float = 8.0
    right: float = 8.0
    gap_across: float = 4.0
    gap_down: float = 0.0
    first: int = 1

    def __post_init__(self) -> None:
        for name in ("rows", "columns", "first"):
            if not isinstance(getattr(self, name), int) or getattr(self, name) < 1:
                raise ReportError(f"A grid of labels has {name} of 1 or more.")
        if any(getattr(self, f.name) < 0 for f in fields(self)):
            raise ReportError("Margins and gaps of a grid of labels are not negative.")
        if self.first > self.rows * self.columns:
            raise ReportError(f"The sheet has {self.rows * self.columns} labels, none with number "
                              f"{self.first}.")  # fmt: skip

    def size(self, paper: str) -> tuple[float, float]:
        """Width and height of a label on this paper (mm).

        Raises
        ------
        ReportError
            When a label would be smaller than 30 by 12 mm.
        """
        across, down = SHEETS[paper]
        wide = across - self.left - self.right - self.gap_across * (self.columns - 1)
        high = down - self.top - self.bottom - self.gap_down * (self.rows - 1)
        wide, high = wide / self.columns, high / self.rows
        if wide < 30 or high < 12:
            raise ReportError(
                f"{self.rows} rows of {self.columns} labels leave {max(wide, 0):.0f} by "
                f"{max(high, 0):.0f} mm each on this paper; 30 by 12 mm is the least."
            )
        return wide, high


def label_list(trial: FieldTrial) -> list[dict[str, str]]:
    """A label for every grain sample and residue reading to be taken, in the order of work."""
    out = []
    for strip in map(str, trial.strips["strip"]):
        for table in (n for n, t in TABLES.items() if t.sheet is not None and t.sheet.labelled):
            rows = trial.counted[table]
            for row in rows[rows["strip"].astype(str) == strip].to_dict("records"):
                behind = row.get("taken_at") == "behind"
                out.append({"strip": strip, "kind": trial.say("cards.sample", table, behind),
                            "sample": str(row["sample"])})  # fmt: skip
    return out


def code(text: str) -> bytes | None:
    """A QR code of the text and nothing else, as SVG; None where it would be too fine to read.

    ISO/IEC 18004 with error correction M or better: a code dirtied over some 15 % still reads.
    """
    import segno

    try:
        made = segno.make_qr(text, error="m")
    except (segno.DataOverflowError, ValueError):
        return None
    if made.symbol_size(border=0)[0] > MOST_MODULES:
        return None
    buffer = io.BytesIO()
    made.save(buffer, kind="svg", border=4, xmldecl=False, svgns=True)
    return buffer.getvalue()


def label_data(trial: FieldTrial, grid: LabelGrid, paper: str) -> dict[str, Any]:
    """What the template of labels takes."""
    wide, high = grid.size(paper)
    return {
        **{f.name: getattr(grid, f.name) for f in fields(grid)},
        "width": wide, "height": high, "labels": label_list(trial),
    }  # fmt: skip
