"""The command that prints what goes to the field: cards."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, plain
from trialkit.words import ENGLISH, spoken


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
        str,
        typer.Option(metavar="ROWSxCOLUMNS:MARGINS:GAPS",
                     help="Labels on a sheet; margins (top, right, bottom, left) and gaps (across, "
                     "down) in mm may be left out."),
    ] = "8x2:12,8,12,8:4,0",
    first_label: Annotated[
        int, typer.Option(min=1, help="Place to begin on a sheet that was used before.")
    ] = 1,
    language: Annotated[
        str, typer.Option(help="What is printed is said in it: en or es (Spanish).")
    ] = ENGLISH,
    screen: Annotated[
        bool, typer.Option("--screen", help="No paper: the page that counts are typed into on a "
                           "phone, without a network.")
    ] = False,
    crew: Annotated[
        int | None, typer.Option(min=1, help="With --screen: share the strips out over so many "
                                 "crews, a page each.")
    ] = None,
) -> None:  # fmt: skip
    """Print the paper for the field: count cards, crew page, operator's sheet, map, labels.

    Two PDF files, the second for labels; an existing file is never overwritten. Print the first on
    both sides of the paper, at its own size. Count cards are blind unless --no-blind is given: the
    setups stand on the operator's sheet and the map.

    With --screen one HTML file is written instead, or one a crew: send it to a phone and open it in
    the phone's browser. It says at once whether the phone keeps what is typed, and what was counted
    comes back as one CSV file.
    """
    if crew is not None and not screen:
        raise typer.BadParameter("--crew goes with --screen: paper is printed for all strips.")
    if screen:
        return _screen(folder, out, crew, blind, language)
    with Steps() as say:
        say("loading trialkit")
        from trialkit.pages.field_paper import SHEETS, LabelGrid
        from trialkit.pages.field_paper import cards as print_cards

        grid = LabelGrid(**_grid(labels), first=first_label)
        wanted = [part.value for part in sheets] if sheets else SHEETS
        made = print_cards(folder, out, sheets=wanted, paper=paper.value if paper else None,
                           blind=blind, grid=grid, language=language, progress=say)  # fmt: skip
    for what, path in (("Sheets", made.sheets), ("Labels", made.labels)):
        if path is not None:
            OUT.print(f"{what}: {plain(path)}", soft_wrap=True)


def _screen(
    folder: Path, out: Path | None, crew: int | None, blind: bool, language: str
) -> None:  # fmt: skip
    with Steps() as say:
        say("loading trialkit")
        from trialkit.pages.screen import count_page

        made = count_page(folder, out, crew=crew, blind=blind, language=language, progress=say)
    for path in made:
        OUT.print(f"{spoken('screen', 'written')(len(made))}: {plain(path)}", soft_wrap=True)
    OUT.print(spoken("screen", "getting_there")(), soft_wrap=True)


def _grid(text: str) -> dict[str, Any]:
    """Arguments of `LabelGrid` from such a text as "8x2:12,8,12,8:4,0"."""
    sheet, *more = text.lower().split(":")
    rows, columns = _numbers(sheet, "x", 2)
    if any(n % 1 for n in (rows, columns)) or len(more) > 2:
        raise typer.BadParameter(f"--labels takes such as 8x2:12,8,12,8:4,0, not {text!r}")
    found: dict[str, Any] = {"rows": int(rows), "columns": int(columns)}
    for part, names in zip(more, (("top", "right", "bottom", "left"), ("gap_across", "gap_down")),
                           strict=False):  # fmt: skip
        found |= dict(zip(names, _numbers(part, ",", len(names)), strict=True))
    return found


def _numbers(text: str, mark: str, many: int) -> list[float]:
    """Numbers of a part of an option that holds several."""
    try:
        values = [float(part) for part in text.split(mark)]
    except ValueError:
        values = []
    if len(values) != many:
        raise typer.BadParameter(
            f"--labels takes {many} numbers with {mark!r} between, not {text!r}"
        )
    return values
