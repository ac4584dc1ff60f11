"""The command on a header: header."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain, print_table


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
        from trialkit.header import CAUTION
        from trialkit.report import HeaderPage, render
        from trialkit.report.header_tables import fix_table, verdict_table
        from trialkit.trial import load_trial

        say("reading the trial")
        trial = load_trial(folder, harvested=False)
        page = HeaderPage(trial, **options)
        made = render(
            trial, out, report="header", pdf=pdf, parameters={"options": options}, progress=say
        )
    for report in page.reports:
        unit = "inches" if report.system == "US" else "mm"
        print_table(
            f"Header {plain(report.header)}, row by row, {unit}: gap of the stripper (deck) "
            "plates, least clearance of the chain guides", verdict_table(report)
        )  # fmt: skip
        fixes = fix_table(report)
        if len(fixes):
            print_table("What to fix first", fixes)
        elif not report.measured:
            OUT.print("Nothing is measured yet.\n")
        else:
            OUT.print("Nothing to repair was found.\n")
        for line in page.noted(report):
            OUT.print(plain(line), soft_wrap=True)
    refused = trial.refused[trial.refused["file"].str.contains("header_check")]
    if len(refused):
        print_table("Refused in header_check; rows left out until corrected", refused)
    OUT.print(plain(CAUTION), soft_wrap=True)
    for path in filter(None, made):
        OUT.print(f"Page: {plain(path)}", soft_wrap=True)
    if not any(report.measured for report in page.reports):
        complain("The header check is not filled in yet: no row holds a measurement.")
        raise typer.Exit(2)
    raise typer.Exit(int(len(refused) > 0 or any(one.to_fix for one in page.each)))
