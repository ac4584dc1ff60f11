"""The command that prints what goes to the field: cards."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, plain


class Paper(StrEnum):
    """Sheets that are printed on."""

    A4 = "a4"
    US_LETTER = "us-letter"


class Part(StrEnum):
    """What can be printed."""

    CREW = "crew"
    CARDS = "cards"
    RUN = "run"
    MAP = "map"
    HEADER = "header"
    LABELS = "labels"


@app.command()
def cards(
    folder: Annotated[Path, typer.Argument(help="A planned trial's folder, or any with strips.")],
    out: Annotated[
        Path | None, typer.Option(help="Folder to write to; by default the trial's own.")
    ] = None,
    paper: Annotated[
        Paper | None, typer.Option(help="By default A4 for SI units, US letter for US units.")
    ] = None,
    blind: Annotated[
        bool, typer.Option(help="Leave out of the count cards which setup a strip has.")
    ] = True,
    sheets: Annotated[
        list[Part] | None,
        typer.Option(help="Only this: crew, cards, run (for the operator), map, header, labels; "
                     "may be repeated."),
    ] = None,
    labels: Annotated[
        str, typer.Option(metavar="ROWSxCOLUMNS", help="Labels on a sheet, down and across.")
    ] = "8x2",
    label_margins: Annotated[
        str, typer.Option(metavar="MM", help="Margins of that sheet: top, right, bottom, left.")
    ] = "12,8,12,8",
    label_gaps: Annotated[
        str, typer.Option(metavar="MM", help="Between labels: across, down.")
    ] = "4,0",
    first_label: Annotated[
        int, typer.Option(min=1, help="Place to begin on a sheet that was used before.")
    ] = 1,
) -> None:  # fmt: skip
    """Print the paper for the field: count cards, crew page, operator's sheet, map, labels.

    Two PDF files, the second for labels; an existing file is never overwritten. Print the first on
    both sides of the paper, at its own size. Count cards are blind unless --no-blind is given: the
    setups stand on the operator's sheet and the map.
    """
    rows, columns = _numbers(labels, "x", 2, "--labels", whole=True)
    top, right, bottom, left = _numbers(label_margins, ",", 4, "--label-margins")
    across, down = _numbers(label_gaps, ",", 2, "--label-gaps")
    with Steps() as say:
        say("loading trialkit")
        from trialkit.report.field_paper import SHEETS, LabelGrid
        from trialkit.report.field_paper import cards as print_cards

        grid = LabelGrid(int(rows), int(columns), top=top, right=right, bottom=bottom, left=left,
                         gap_across=across, gap_down=down, first=first_label)  # fmt: skip
        wanted = [part.value for part in sheets] if sheets else SHEETS
        made = print_cards(folder, out, sheets=wanted, paper=paper.value if paper else None,
                           blind=blind, grid=grid, progress=say)  # fmt: skip
    for what, path in (("Sheets", made.sheets), ("Labels", made.labels)):
        if path is not None:
            OUT.print(f"{what}: {plain(path)}", soft_wrap=True)


def _numbers(text: str, mark: str, many: int, option: str, whole: bool = False) -> list[float]:
    """Numbers of an option that holds several."""
    try:
        values = [float(part) for part in text.lower().split(mark)]
    except ValueError:
        values = []
    if len(values) != many or (whole and any(v % 1 for v in values)):
        kind = "whole numbers" if whole else "numbers"
        raise typer.BadParameter(
            f"{option} takes {many} {kind} with {mark!r} between, not {text!r}"
        )
    return values
