"""Commands that make something to read: demo, report, lab."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain
from trialkit.cli.matched import Aliases, Factors, aliases_of
from trialkit.words import commands as words


class Reader(StrEnum):
    """Whom a report is for."""

    RESEARCHER = "researcher"
    FIELD_DAY = "field-day"
    GROWER = "grower"


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Argument(help="New folder; by default trialkit-demo, here.")
    ] = None,
) -> None:
    """Copy the demo trial to a new folder, analyse it and write its field-day report."""
    with Steps() as say:
        say("loading trialkit")
        from trialkit.pages import demo_dir, render
        from trialkit.pages.resources import new_copy

        say(words.copying_demo())
        with new_copy(demo_dir(), folder, "trialkit-demo") as (target, draft):
            made = render(draft, progress=say)
    report = target / made.html.name
    OUT.print(f"Trial:  {plain(target)}\nReport: {plain(report)}", soft_wrap=True)


@app.command()
def report(
    folders: Annotated[
        list[Path],
        typer.Argument(help="A trial's folder or workbook; or a folder, or several, of trials."),
    ],
    out: Annotated[
        Path | None, typer.Option(help="File or folder to write to; by default the trial's own.")
    ] = None,
    reader: Annotated[
        Reader, typer.Option("--for", help="Whom the report is for.")
    ] = Reader.FIELD_DAY,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write it for paper too.")] = False,
    grower: Annotated[
        str, typer.Option(help="Whose fields a grower's report is about: name or letter.")
    ] = "",
    factor: Factors = None,
    alias: Aliases = None,
) -> None:
    """Write a report of a trial, or one over many trials; an existing file is never overwritten.

    A folder that holds several trials, or several folders, make one report over all of them that
    varied one set of factors: the set that most trials varied, or that of --factor. The terminal
    tells which other factors there are, and which trials were left out.
    """
    remarks: list[str] = []
    with Steps() as say:
        say("loading trialkit")
        from trialkit.errors import ReportError
        from trialkit.pages import render
        from trialkit.pages.seasons.rendering import one_trial, render_seasons

        if grower and reader is not Reader.GROWER:
            raise ReportError("--grower goes with --for grower; no other report is about one.")
        folder = one_trial(folders)
        if folder is None:
            made = render_seasons(
                folders, out, report=reader.value, pdf=pdf, grower=grower, factors=factor,
                aliases=aliases_of(alias), progress=say, remark=remarks.append,
            )  # fmt: skip
        else:
            if factor or alias:
                raise ReportError("--factor and --alias go with a report over several trials.")
            more = {"grower": grower} if reader is Reader.GROWER else None
            made = render(folder, out, report=reader.value, pdf=pdf, parameters=more,
                          progress=say, remark=remarks.append)  # fmt: skip
    for line in remarks:  # below the steps, not among them
        complain(line)
    for path in filter(None, made):
        OUT.print(f"Report: {plain(path)}", soft_wrap=True)


@app.command()
def lab(
    folder: Annotated[
        Path | None,
        typer.Argument(help="New folder, or an earlier copy; by default trialkit-notebooks, here."),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address instead of opening it.")
    ] = False,
    port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="Port to listen on, on this machine only.")
    ] = None,
    allow_root: Annotated[
        bool, typer.Option("--allow-root", help="Run as root too, as inside a container.")
    ] = False,
) -> None:
    """Open JupyterLab on a copy of the notebooks, the tour first; Ctrl-C ends it.

    The demo trials are copied beside them. An earlier copy is opened as it is.
    """
    from trialkit.pages.lab import notebooks_copy, run_lab

    target = notebooks_copy(folder)
    OUT.print(f"Notebooks: {plain(target)}", soft_wrap=True)
    run_lab(target, browser=not no_browser, port=port, allow_root=allow_root)
