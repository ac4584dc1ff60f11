"""The command on a header: header."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain, print_causes, print_table

if TYPE_CHECKING:
    from trialkit.pages.page import Page
    from trialkit.pages.rendering import Rendered
    from trialkit.trial import Trial


@app.command()
def header(
    folder: Annotated[Path, typer.Argument(help="A trial's folder or workbook.")],
    out: Annotated[
        Path | None, typer.Option(help="File or folder to write to; by default the trial's own.")
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write the page for paper too.")] = False,
    speed: Annotated[
        list[float] | None,
        typer.Option(help="Ground speed, mph or km/h as the trial declares; may be repeated."),
    ] = None,
    cushion: Annotated[
        bool, typer.Option("--cushion", help="The chain carries a cushion: a wider gap.")
    ] = False,
    roll_rpm: Annotated[float | None, typer.Option(help="Speed of the stalk rolls, 1/min.")] = None,
    population: Annotated[float | None, typer.Option(help="Plants/ac or plants/ha.")] = None,
    chain_speed: Annotated[float | None, typer.Option(help="Of the chain, mph or km/h.")] = None,
    roll_length: Annotated[float | None, typer.Option(help="Fluted, when new, in or mm.")] = None,
    roll_diameter: Annotated[float | None, typer.Option(help="Where it pulls, in or mm.")] = None,
    pulled_length: Annotated[
        float | None, typer.Option(help="Stalk pulled until its ear is down, in or mm.")
    ] = None,
    grip: Annotated[
        float | None, typer.Option(help="Share of the rolls' speed that the stalk takes, 0 to 1.")
    ] = None,
    efficiency: Annotated[float, typer.Option(help="Field efficiency, 0 to 1.")] = 0.70,
    loss_ratio: Annotated[
        float | None,
        typer.Option(help="Assumed ratio of header losses per mm of gap, as 1.05."),
    ] = None,
) -> None:
    """Check a trial's header row by row, say what to fix first, write its page.

    Works before harvest, from trial.toml and header_check alone. Exit code 0: nothing to fix; 1:
    something to fix, on the header or in a refused row; 2: no header check, or nothing measured.
    """
    options: dict[str, Any] = {
        "speeds": list(speed or ()), "cushion": cushion, "roll_rpm": roll_rpm,
        "population": population, "chain_speed": chain_speed, "roll_length": roll_length,
        "roll_diameter": roll_diameter, "pulled_length": pulled_length, "grip": grip,
        "efficiency": efficiency, "loss_ratio": loss_ratio,
    }  # fmt: skip
    with Steps() as say:
        say("loading trialkit")
        from trialkit.pages import header as header_page
        from trialkit.pages import render
        from trialkit.trial import load_trial

        say("reading the trial")
        trial = load_trial(folder, harvested=False)
        page = header_page(trial, **options)
        made = render(
            trial, out, report="header", pdf=pdf, parameters={"options": options}, progress=say,
            remark=complain,
        )
    _tell(page, trial, made)


def _tell(page: Page, trial: Trial, made: Rendered) -> None:
    """What to fix first, on the terminal; ends with the exit code."""
    from trialkit.intake.causes import group
    from trialkit.pages.header_checked import reports
    from trialkit.pages.header_tables import fix_table, verdict_table
    from trialkit.pages.parts.header import noted
    from trialkit.words import header_page as words
    from trialkit.words import header_safety

    checked = reports(page.context)
    for report in checked:
        print_table(
            plain(words.terminal_rows(report.header, report.system)), verdict_table(report)
        )
        fixes = fix_table(report)
        if len(fixes):
            print_table(words.title("fix"), fixes)
        else:
            none = words.nothing_to_repair() if report.measured else words.nothing_measured()
            OUT.print(f"{none}\n")
    for line in noted(page.context):
        OUT.print(plain(line), soft_wrap=True)
    refused = trial.refused[trial.refused["file"].str.contains("header_check")]
    if len(refused):
        print_causes(group(refused).causes)
        OUT.print()
    OUT.print(plain(header_safety.caution()), soft_wrap=True)
    for path in filter(None, made):
        OUT.print(f"Page: {plain(path)}", soft_wrap=True)
    if not any(report.measured for report in checked):
        complain(words.not_filled_in())
        raise typer.Exit(2)
    raise typer.Exit(int(len(refused) > 0 or any(report.items for report in checked)))
