"""The command line: thin; it parses, calls and prints."""

from __future__ import annotations

import re
import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer
from rich.console import Console
from rich.table import Table
from typer.core import TyperGroup

from trialkit import __version__
from trialkit.errors import TrialkitError

# User text is printed literally: no markup, no highlighting, no emoji codes.
_out = Console(markup=False, highlight=False, emoji=False)
_err = Console(markup=False, highlight=False, emoji=False, stderr=True)
REFUSED_SHOWN = 100


def plain(text: object) -> str:
    """Text for a terminal: control characters are shown, not obeyed; missing is empty."""
    if text is None or text is pd.NA or text != text:
        return ""
    return re.sub(r"[\x00-\x1f\x7f-\x9f]", lambda m: f"\\x{ord(m[0]):02x}", str(text))


def _complain(message: str) -> None:
    for line in message.splitlines():
        _err.print(plain(line), soft_wrap=True)


class _Guarded(TyperGroup):
    """What trialkit or the disk refuses ends in one sentence and exit code 2, no traceback."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except TrialkitError as error:
            _complain(str(error))
        except BrokenPipeError:  # the reader of our output has gone; not ours to tell
            raise
        except OSError as error:
            _complain(f"{error.strerror or error}: {error.filename or ''}")
        raise typer.Exit(2)


app = typer.Typer(
    cls=_Guarded,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Check, analyse and report on-farm strip trials of corn-header setups.",
)


class Units(StrEnum):
    """Units a new trial is written in."""

    US = "US"
    SI = "SI"


class Reader(StrEnum):
    """Whom a report is for."""

    RESEARCHER = "researcher"
    FIELD_DAY = "field-day"
    GROWER = "grower"


class Steps:
    """Says on stderr what is being done, with the seconds each step took."""

    def __init__(self) -> None:
        self._began = self._step_began = time.perf_counter()
        self._step = ""
        self._status = _err.status("") if _err.is_terminal else None

    def __enter__(self) -> Steps:
        if self._status:
            self._status.start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._close()
        if self._status:
            self._status.stop()
        if failure[0] is None:
            _err.print(f"{time.perf_counter() - self._began:6.1f} s  in all")

    def __call__(self, step: str) -> None:
        self._close()
        self._step, self._step_began = plain(step), time.perf_counter()
        if self._status:
            self._status.update(f"{self._step} ...")

    def _close(self) -> None:
        if self._step:
            seconds = time.perf_counter() - self._step_began
            _err.print(f"{seconds:6.1f} s  {self._step}", soft_wrap=True)
        self._step = ""


def _version(wanted: bool) -> None:
    if wanted:
        _out.print(f"trialkit {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Argument(help="New folder; by default trialkit-demo, here.")
    ] = None,
) -> None:
    """Copy the demo trial to a new folder, analyse it and write its field-day report."""
    with Steps() as say:
        say("loading trialkit")
        from trialkit.report import demo_dir, render
        from trialkit.report.resources import new_copy

        say("copying the demo trial")
        target = new_copy(demo_dir(), folder, "trialkit-demo")
        made = render(target, progress=say)
    _out.print(f"Trial:  {plain(target)}\nReport: {plain(made.html)}", soft_wrap=True)


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
    from trialkit.report.lab import notebooks_copy, run_lab

    target = notebooks_copy(folder)
    _out.print(f"Notebooks: {plain(target)}", soft_wrap=True)
    run_lab(target, browser=not no_browser, port=port, allow_root=allow_root)


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="A trial's folder or workbook.")],
    show_all: Annotated[
        bool, typer.Option("--all", help=f"List every refused cell, not the first {REFUSED_SHOWN}.")
    ] = False,
) -> None:
    """Say what was read, what was refused and why, and what the data unlock.

    Exit code 0: clean; 1: usable, with refusals; 2: no report can be made of it.
    """
    from trialkit.trial import load_trial

    trial = load_trial(folder)
    _out.print(f"{plain(trial.config.title)} ({trial.config.season})\n")
    _print_table("Read", trial.read)
    _print_refused(trial.refused, show_all)
    parts = trial.unlocks()
    words = parts["unlocked"].map({True: "yes", False: "no"})
    _print_table("What the data unlock", parts.assign(unlocked=words))
    named = parts.set_index("part")
    reasons = _why_unusable(named)
    if reasons:
        what = else_ = ""
        if named.loc["comparison of setups", "unlocked"]:
            what = " by header loss or kernel damage"
            if named.loc[[*_FURTHER], "unlocked"].any():
                else_ = " What else was measured is compared by: trialkit analyse FOLDER"
        _complain(f"The setups cannot be compared yet{what}: {'; '.join(reasons)}.{else_}")
        raise typer.Exit(2)
    raise typer.Exit(0 if trial.refused.empty else 1)


_FURTHER = ("dropped ears", "broken corn", "foreign material", "residue by mass",
            "residue by score", "test weight")  # fmt: skip


def _why_unusable(parts: pd.DataFrame) -> list[str]:
    """Reasons why no response of the trial could be compared between setups."""
    if not parts.loc["comparison of setups", "unlocked"]:
        return [str(parts.loc["comparison of setups", "reason"])]
    responses = parts.loc[["header loss", "kernel damage"]]
    return [] if responses["unlocked"].any() else [str(r) for r in responses["reason"]]


def _print_refused(refused: pd.DataFrame, show_all: bool = False) -> None:
    if refused.empty:
        _out.print("Nothing was refused.\n")
        return
    shown = refused if show_all else refused.head(REFUSED_SHOWN)
    _print_table("Refused", shown)
    if len(shown) < len(refused):
        _out.print(f"... and {len(refused) - len(shown):,} more; --all lists them.\n")


def _print_table(title: str, frame: pd.DataFrame) -> None:
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for column in frame.columns:
        numeric = pd.api.types.is_numeric_dtype(frame[column])
        table.add_column(
            str(column).replace("_", " "), justify="right" if numeric else "left", overflow="fold"
        )
    for row in frame.itertuples(index=False):
        table.add_row(*(plain(cell) for cell in row))
    _out.print(table)
    _out.print()


@app.command()
def analyse(
    folder: Annotated[Path, typer.Argument(help="A trial's folder or workbook.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for all tables as CSV and .xlsx; nothing is overwritten."),
    ] = None,
) -> None:
    """Compare the setups in every response and say what was left out."""
    with Steps() as say:
        say("loading trialkit")
        from trialkit.analysis import analyse as analysed
        from trialkit.report.export import write_tables
        from trialkit.report.letters import Letters
        from trialkit.report.summary import summary
        from trialkit.trial import load_trial

        say("reading the trial")
        trial = load_trial(folder)
        analysis = analysed(trial, progress=say)
        written = None if out is None else write_tables(analysis, out)
    level = f"{100 * analysis.level:g} % intervals in brackets; p adjusted within a factor"
    _print_table(f"Comparisons ({level})", summary(analysis))
    letters = Letters(trial)
    for text in (*analysis.skipped.values(), *analysis.warnings):
        _out.print(plain(letters.text(text)))
    if written:
        _out.print(f"Tables: {plain(written)}", soft_wrap=True)


@app.command()
def report(
    folder: Annotated[Path, typer.Argument(help="A trial's folder or workbook.")],
    out: Annotated[
        Path | None, typer.Option(help="File or folder to write to; by default the trial's own.")
    ] = None,
    reader: Annotated[
        Reader, typer.Option("--for", help="Whom the report is for.")
    ] = Reader.FIELD_DAY,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write it for paper too.")] = False,
    grower: Annotated[
        str, typer.Option(help="Whose fields a grower's report is about; by default the first's.")
    ] = "",
) -> None:
    """Write a report of a trial; an existing file is never overwritten."""
    with Steps() as say:
        say("loading trialkit")
        from trialkit.report import render

        more = {"grower": grower} if reader is Reader.GROWER else None
        made = render(folder, out, report=reader.value, pdf=pdf, parameters=more, progress=say)
    for path in filter(None, made):
        _out.print(f"Report: {plain(path)}", soft_wrap=True)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="New folder, or new .xlsx.")],
    workbook: Annotated[
        bool, typer.Option("--workbook", help="One .xlsx with drop-downs instead of CSV files.")
    ] = False,
    units: Annotated[Units, typer.Option(help="Units of the tables.")] = Units.US,
) -> None:
    """Write an empty trial to fill in."""
    from trialkit.intake import new_trial, new_workbook

    make = new_workbook if workbook or folder.suffix.lower() == ".xlsx" else new_trial
    _out.print(f"New trial: {plain(make(folder, units=units.value))}", soft_wrap=True)


@app.command()
def compare(
    folder: Annotated[Path, typer.Argument(help="Folder that holds trials, at any depth.")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the tables as CSV; none is overwritten.")
    ] = None,
    response: Annotated[
        str, typer.Option(help="header_loss, kernel_damage, yield, ...")
    ] = "header_loss",
) -> None:
    """Compare setups over every trial under a folder: one table, one model.

    Growers, fields and trials stand under letters unless the growers agreed. Trials that cannot be
    used are told, by their own names, on stderr.
    """
    with Steps() as say:
        say("loading trialkit")
        from trialkit.comparison import compare as compare_trials
        from trialkit.intake import write_all
        from trialkit.report import compared
        from trialkit.report.letters import ComparedLetters

        say("comparing")
        found = compare_trials(folder, response=response)
        letters = ComparedLetters(found)
        if out is not None:
            write_all(out, compared.csv_files(found, letters))
    for line in compared.sentences(found):
        _out.print(plain(line), soft_wrap=True)
    _out.print()
    growers = compared.grower_table(found, letters)
    if len(growers):
        _print_table("Growers", growers)
    for line in [*compared.explained_words(found), *(letters.text(n) for n in found.notes)]:
        _out.print(plain(line), soft_wrap=True)
    for line in compared.left_out(found):
        _complain(f"Left out: {line}")
    if out is not None:
        _out.print(f"Tables: {plain(out)}", soft_wrap=True)
