"""Commands on trials: new, check, analyse, compare."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import pandas as pd
import typer

from trialkit.cli.app import app
from trialkit.cli.cluster import Cluster
from trialkit.cli.console import OUT, Steps, complain, plain, print_causes, print_table
from trialkit.cli.matched import Aliases, Factors, Level, aliases_of
from trialkit.cli.read import print_read
from trialkit.words import causes as cause_words
from trialkit.words import commands as words
from trialkit.words import said

if TYPE_CHECKING:
    from trialkit.trial import Trial

CAUSES_SHOWN = 20


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
            "--from",
            help="A planned folder or workbook: its strips, frames and samples stand in it.",
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
        bool, typer.Option("--all", help="List every refused cell beside the causes.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(help="New .xlsx or .csv: a list of every cell to correct, to work through."),
    ] = None,
) -> None:
    """Say what was read, what is to be corrected and why, what contradicts itself, and what the
    data unlock.

    Exit code 0: nothing was refused; 1: usable, with refusals; 2: no report can be made of it.
    """
    from trialkit.contradictions import first_lines
    from trialkit.intake import read_trial
    from trialkit.pages.letters import Letters
    from trialkit.trial import as_trial

    written = ""
    if out is not None:
        from trialkit.pages.corrections import free_for_list, write_corrections

        free_for_list(out)
    intake = read_trial(folder)
    if out is not None:
        written = write_corrections(intake, out, folder)
        OUT.print(f"{plain(written)}\n", soft_wrap=True)
    trial = as_trial(intake, folder)
    OUT.print(f"{plain(trial.config.title)} ({trial.config.season})\n")
    for text in (lost := said(first_lines(trial))):
        OUT.print(plain(text))
    if lost:
        OUT.print()
    waiting = trial.to_fill
    print_read(trial)
    if waiting:
        OUT.print(f"{plain(waiting)}\n")
    _print_causes(trial, show_all, listed=bool(written))
    _print_contradictions(trial)
    for text in Letters(trial).remarks:
        OUT.print(f"{plain(text)}\n", soft_wrap=True)
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


def _print_contradictions(trial: Trial) -> None:
    from trialkit.contradictions import contradictions
    from trialkit.plan.run_order import against_plan
    from trialkit.words import contradictions as clash_words

    told = " ".join(trial.read["notes"])  # of half a gap was asked there
    clashes = said((*contradictions(trial), *against_plan(trial)))
    if clashes := [text for text in clashes if text not in told]:
        OUT.print(clash_words.title())
        for text in clashes:
            OUT.print(f"- {plain(text)}")
        OUT.print()


def _print_causes(trial: Trial, show_all: bool, listed: bool) -> None:
    from trialkit.intake.causes import group

    if trial.refused.empty:
        OUT.print(f"{cause_words.nothing()}\n")
        return
    grouped = group(trial.refused)
    print_causes(grouped.causes if show_all else grouped.causes[:CAUSES_SHOWN])
    if not show_all and len(grouped.causes) > CAUSES_SHOWN:
        OUT.print(cause_words.more(len(grouped.causes) - CAUSES_SHOWN))
    OUT.print(cause_words.cost(*grouped.cost, int(trial.read["rows_in"].sum())), soft_wrap=True)
    if not listed:
        OUT.print(cause_words.to_list())
    OUT.print()
    if show_all:
        OUT.print(cause_words.every_cell(), style="bold")
        for row in grouped.listed.itertuples():
            told = cause_words.cell(
                str(row.file), int(row.line), str(row.column), str(row.value), str(row.expected),
                str(row.lost), str(row.because),
            )  # fmt: skip
            OUT.print(plain(f"{row.cause:>2}. {told}"), soft_wrap=True)
        OUT.print()


@app.command()
def analyse(
    folder: Annotated[Path, typer.Argument(help="A trial's folder or workbook.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for all tables as CSV and .xlsx; nothing is overwritten."),
    ] = None,
) -> None:
    """Compare the setups in every response and say what was left out.

    The terminal has all names; the tables have letters unless the growers agreed.
    """
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
        from trialkit.plan.run_order import against_plan
        from trialkit.trial import load_trial
        from trialkit.words.glosses import glossed

        if out is not None:  # before it is analysed
            free_for_tables(out)
        say("reading the trial")
        trial = load_trial(folder)
        analysis = analysed(trial, progress=say)
        written = None if out is None else write_tables(analysis, out)
    for text in said(analysis.lost):
        OUT.print(plain(text))
    print_table("Comparisons", summary(analysis).drop(columns="advice"))
    OUT.print(f"{brackets(analysis.level)} {glossed(r.title for r in analysis.responses.values())}")
    OUT.print("What follows")
    for text in advice.told(verdict(analysis), analysis):
        OUT.print(f"- {plain(text)}")
    OUT.print()
    told = (ADJUSTED, WEAKER, *looked_at(analysis))
    remarks = (*analysis.warnings, *said(against_plan(trial)))
    for text in filter(None, (*told, *analysis.skipped.values(), *remarks, trial.to_fill)):
        OUT.print(plain(text))
    if written:
        for text in Letters(trial).remarks:
            complain(text)
        OUT.print(f"Tables: {plain(written)}", soft_wrap=True)


@app.command()
def compare(
    folders: Annotated[
        list[Path],
        typer.Argument(help="Folders that hold trials, at any depth; or a store of them."),
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the tables as CSV; none is overwritten.")
    ] = None,
    response: Annotated[
        str, typer.Option(help="header_loss, kernel_damage, yield, ...")
    ] = "header_loss",
    cluster: Cluster = None,
    factor: Factors = None,
    alias: Aliases = None,
    level: Level = 0.95,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the result as JSON instead of words.")
    ] = False,
) -> None:
    """Compare setups over every trial under one or several folders: one table, one model.

    One comparison is by one set of factors: the set that most trials varied, or that of --factor.
    Growers, fields and trials stand under letters unless the growers agreed. Trials that cannot be
    used, and other factors that could be asked for, are told, by their own names, on stderr.
    """
    with Steps() as say:
        say("loading trialkit")
        from trialkit.intake import write_all
        from trialkit.many import compare as compare_trials
        from trialkit.pages import compared
        from trialkit.pages.compared_letters import ComparedLetters
        from trialkit.pages.glosses import Glosses

        say("comparing")
        found = compare_trials(
            folders if len(folders) > 1 else folders[0], response=response, factors=factor,
            aliases=aliases_of(alias), level=level, client=cluster, progress=say.at,
        )  # fmt: skip
        letters = ComparedLetters(found)
        if out is not None:
            write_all(out, compared.csv_files(found, letters))
    if as_json:
        typer.echo(compared.as_json(found, letters))
    else:
        for line in map(Glosses().text, compared.sentences(found)):
            OUT.print(plain(letters.text(line)), soft_wrap=True)
        OUT.print()
        growers = compared.grower_table(found, letters)
        if len(growers):
            print_table(compared.growers_title(found), growers)
        for line in [*compared.explained_words(found), *(letters.text(n) for n in found.notes)]:
            OUT.print(plain(line), soft_wrap=True)
        if found.prior_words:
            OUT.print(plain(found.prior_words), soft_wrap=True)
    for line in compared.for_terminal(found):
        complain(line)
    if out is not None and not as_json:
        OUT.print(f"Tables: {plain(out)}", soft_wrap=True)
