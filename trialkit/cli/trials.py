"""Commands on trials: new, check, analyse, compare."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain, print_table
from trialkit.words import commands as words

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
            complain(words.units_beside_plan())
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
    yes = parts["unlocked"].map({True: "yes", False: "no"})
    print_table(words.what_data_unlock(), parts.assign(unlocked=yes))
    named = parts.set_index("part")
    reasons = _why_unusable(named)
    if reasons:
        by_loss = bool(named.loc["comparison of setups", "unlocked"])
        others = by_loss and bool(named.loc[_parts_of(usual=False), "unlocked"].any())
        usual = _parts_of(usual=True) if by_loss else []
        complain(words.not_comparable(reasons, usual, others))
        raise typer.Exit(2)
    raise typer.Exit(0 if trial.refused.empty else 1)


def _parts_of(usual: bool) -> list[str]:
    """Parts of the responses pages tell in full, or of what else may be measured."""
    from trialkit.responses import RESPONSES

    return [
        part.part
        for response in RESPONSES.values()
        for part in response.unlocked
        if (response.shown == "full" if usual else not part.usual)
    ]


def _why_unusable(parts: pd.DataFrame) -> list[str]:
    """Reasons why no response of the trial could be compared between setups."""
    if not parts.loc["comparison of setups", "unlocked"]:
        return [str(parts.loc["comparison of setups", "reason"])]
    responses = parts.loc[_parts_of(usual=True)]
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
        from trialkit.pages import advice
        from trialkit.pages.export import free_for_tables, write_tables
        from trialkit.pages.letters import Letters
        from trialkit.pages.summary import summary
        from trialkit.pages.wording import brackets
        from trialkit.trial import load_trial
        from trialkit.words.glosses import glossed

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
        from trialkit.intake import write_all
        from trialkit.many import compare as compare_trials
        from trialkit.pages import compared
        from trialkit.pages.glosses import Glosses
        from trialkit.pages.letters import ComparedLetters

        say("comparing")
        found = compare_trials(folder, response=response)
        letters = ComparedLetters(found)
        if out is not None:
            write_all(out, compared.csv_files(found, letters))
    for line in map(Glosses().text, compared.sentences(found)):
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
