"""Commands on trials: new, check, analyse, compare."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain, print_table

REFUSED_SHOWN = 100


class Units(StrEnum):
    """Units a new trial is written in."""

    US = "US"
    SI = "SI"


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="New folder, or new .xlsx.")],
    workbook: Annotated[
        bool, typer.Option("--workbook", help="One .xlsx with drop-downs instead of CSV files.")
    ] = False,
    units: Annotated[
        Units | None, typer.Option(help="Units of the tables; US unless told.")
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            "--from", help="A planned folder: its strips, frames and samples stand in it."
        ),
    ] = None,
) -> None:
    """Write an empty trial to fill in."""
    if plan is not None:
        from trialkit.plan import begin_from

        if units is not None:
            complain("--units cannot stand beside --from: the plan has its own.")
            raise typer.Exit(2)
        as_book = workbook and folder.suffix.lower() != ".xlsx"
        made = begin_from(plan, folder.with_name(f"{folder.name}.xlsx") if as_book else folder)
    else:
        from trialkit.intake import new_trial, new_workbook

        make = new_workbook if workbook or folder.suffix.lower() == ".xlsx" else new_trial
        made = make(folder, units=(units or Units.US).value)
    OUT.print(f"New trial: {plain(made)}", soft_wrap=True)


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
    OUT.print(f"{plain(trial.config.title)} ({trial.config.season})\n")
    waiting = trial.to_fill
    print_table("Read", trial.read if waiting else trial.read.drop(columns="rows_not_filled"))
    if waiting:
        OUT.print(f"{plain(waiting)}\n")
    _print_refused(trial.refused, show_all)
    parts = trial.unlocks()
    words = parts["unlocked"].map({True: "yes", False: "no"})
    print_table("What the data unlock", parts.assign(unlocked=words))
    named = parts.set_index("part")
    reasons = _why_unusable(named)
    if reasons:
        what = else_ = ""
        if named.loc["comparison of setups", "unlocked"]:
            what = " by header loss or kernel damage"
            if named.loc[[*_FURTHER], "unlocked"].any():
                else_ = " What else was measured is compared by: trialkit analyse FOLDER"
        complain(f"The setups cannot be compared yet{what}: {'; '.join(reasons)}.{else_}")
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
        OUT.print("Nothing was refused.\n")
        return
    shown = refused if show_all else refused.head(REFUSED_SHOWN)
    print_table("Refused", shown)
    if len(shown) < len(refused):
        OUT.print(f"... and {len(refused) - len(shown):,} more; --all lists them.\n")


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
        from trialkit.analysis.family import ADJUSTED, WEAKER, looked_at
        from trialkit.decide import verdict
        from trialkit.report import advice
        from trialkit.report.export import free_for_tables, write_tables
        from trialkit.report.letters import Letters
        from trialkit.report.summary import summary
        from trialkit.report.terms import glossed
        from trialkit.report.wording import brackets
        from trialkit.trial import load_trial

        if out is not None:  # before it is analysed
            free_for_tables(out)
        say("reading the trial")
        trial = load_trial(folder)
        analysis = analysed(trial, progress=say)
        written = None if out is None else write_tables(analysis, out)
    print_table("Comparisons", summary(analysis).drop(columns="advice"))
    OUT.print(f"{brackets(analysis.level)} {glossed(r.title for r in analysis.responses.values())}")
    letters = Letters(trial)
    OUT.print("What follows")
    for text in advice.told(verdict(analysis), analysis):
        OUT.print(f"- {plain(letters.text(text))}")
    OUT.print()
    told = (ADJUSTED, WEAKER, *looked_at(analysis))
    said = (*told, *analysis.skipped.values(), *analysis.warnings)
    for text in filter(None, (*said, trial.to_fill)):
        OUT.print(plain(letters.text(text)))
    if written:
        OUT.print(f"Tables: {plain(written)}", soft_wrap=True)


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
        from trialkit.report.terms import explained

        say("comparing")
        found = compare_trials(folder, response=response)
        letters = ComparedLetters(found)
        if out is not None:
            write_all(out, compared.csv_files(found, letters))
    for line in explained(compared.sentences(found)):
        OUT.print(plain(line), soft_wrap=True)
    OUT.print()
    growers = compared.grower_table(found, letters)
    if len(growers):
        print_table("Growers", growers)
    for line in [*compared.explained_words(found), *(letters.text(n) for n in found.notes)]:
        OUT.print(plain(line), soft_wrap=True)
    if found.prior_words:
        OUT.print(plain(found.prior_words), soft_wrap=True)
    for line in compared.in_part(found):
        complain(f"In part: {line}")
    for line in compared.left_out(found):
        complain(f"Left out: {line}")
    if out is not None:
        OUT.print(f"Tables: {plain(out)}", soft_wrap=True)
