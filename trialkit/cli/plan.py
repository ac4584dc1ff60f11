"""The command that plans a trial and writes its folder."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain, print_table
from trialkit.words import commands as words

if TYPE_CHECKING:
    from trialkit.plan import DescribedPlan, Plan

MAP, PLACES = "pass_map.svg", "pass_map.geojson"


class LayoutName(StrEnum):
    """How setups lie in a block."""

    PAIRS = "pairs"
    BLOCKS = "blocks"
    SPLIT = "split"


@app.command("plan")
def plan_command(
    folder: Annotated[Path | None, typer.Argument(help="New folder for the trial.")] = None,
    source: Annotated[
        Path | None, typer.Option("--from", help="The file that describes the plan; see --example.")
    ] = None,
    example: Annotated[
        bool, typer.Option("--example", help="Print such a file, to save and change.")
    ] = False,
    layout: Annotated[LayoutName | None, typer.Option(help="Instead of the file's.")] = None,
    pairs: Annotated[
        int | None, typer.Option(help="Pairs (blocks) in each field, instead of the file's.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Instead of the file's.")] = None,
    no_sheets: Annotated[
        bool, typer.Option("--no-sheets", help="Leave the tables to count into without rows.")
    ] = False,
) -> None:
    """Lay out a trial at random and write its folder, ready to fill in.

    A file describes the plan, every line of it explained: trialkit plan --example > plan.toml

    Then: trialkit plan my-trial --from plan.toml. Nothing is ever overwritten. Exit code 2: no such
    plan can be run and analysed; the nearest one that can is told.
    """
    from trialkit.plan import PlanRefused
    from trialkit.words.plan_file import example as described_example

    if example:
        OUT.print(described_example(), end="", soft_wrap=True)
        return
    own = {"layout": None if layout is None else layout.value, "blocks": pairs, "seed": seed}
    target, asked = _asked(folder, source, own)
    try:
        with Steps() as say:
            made, more = _write(target, asked, not no_sheets, say)
    except PlanRefused as refused:
        complain(str(refused))
        if refused.nearest:
            complain(words.change_in_file(_as_lines(refused.nearest)))
        raise typer.Exit(2) from None
    _print(made)
    for name, what in (("", "Trial"), *((n, "Map") for n in more)):
        OUT.print(f"{what + ':':7}{plain(target / name)}", soft_wrap=True)


def _asked(
    folder: Path | None, source: Path | None, own: Mapping[str, Any]
) -> tuple[Path, DescribedPlan]:
    """Where to write, and the plan: the file's, with the options' own layout, pairs and seed."""
    from trialkit.errors import TrialError
    from trialkit.intake.files import refuse_existing
    from trialkit.plan import check_description
    from trialkit.plan.described import description_data
    from trialkit.plan.record import RECORD
    from trialkit.responses.schema import TABLES

    if folder is None or source is None:
        raise TrialError(
            "Give the new folder to write the trial to and the file that describes the plan: "
            "trialkit plan FOLDER --from plan.toml. An example of the file: trialkit plan --example"
        )
    if folder.suffix.lower() == ".xlsx":
        raise TrialError(
            "A plan is written to a folder. A workbook of it then: trialkit new "
            f"{folder} --from FOLDER"
        )
    data = description_data(source)
    given = {key: value for key, value in own.items() if value is not None}
    if given and isinstance(data.get("plan", {}), dict):
        data["plan"] = {**data.get("plan", {}), **given}
    asked = check_description(data, source.name)
    tables = (f"{name}.csv" for name in TABLES)
    refuse_existing(folder, (*tables, "trial.toml", RECORD, MAP, PLACES))
    return folder, asked


def _write(
    folder: Path, asked: DescribedPlan, sheets: bool, say: Steps
) -> tuple[Plan, dict[str, bytes]]:
    say("drawing the plan")
    made = asked.plan()
    say("drawing the map")
    from trialkit.plots import pass_map

    more = {MAP: pass_map(made).svg_file()}
    if asked.corners:
        places = made.geojson(asked.corners, asked.headings)
        more[PLACES] = f"{json.dumps(places, ensure_ascii=False)}\n".encode()
    say("writing the folder")
    made.write(folder, asked.effort if sheets else None, more)
    return made, more


def _as_lines(nearest: Mapping[str, Any]) -> str:
    """Arguments of `plan_trial` to change, as lines of the file's section."""
    lines = []
    for name, value in nearest.items():
        if name == "setups":
            lines.append("# setups")  # left out
        elif name == "min_length":  # rounded so that it still holds
            lines.append(f'{name} = "{math.floor(100 * value) / 100:g} m"')
        elif name == "max_change_hours":
            lines.append(f"{name} = {math.ceil(1000 * value) / 1000:g}")
        else:
            lines.append(f"{name} = {json.dumps(value)}")
    return "\n".join(lines)


def _print(made: Plan) -> None:
    from trialkit.words.plan import what_judges

    OUT.print(f"{plain(made.config.title)} ({made.config.season})\n", soft_wrap=True)
    for line in made.words:
        OUT.print(plain(line))
    OUT.print()
    print_table("Setups", made.setups)
    wide = "" if made.strips["setup"].str.len().max() == 1 else " "
    own = made.strips.groupby(["field", "pair"], sort=False)["setup"].agg(wide.join)
    laid = own.groupby("field", sort=False).agg("  ".join).reset_index()
    print_table("Left to right", laid.rename(columns={"setup": "setups"}))
    names = {"label": "factor", "df": "degrees of freedom", "error_df": "for error"}
    judged = made.degrees_of_freedom.drop(columns="factor")
    print_table(what_judges(), judged.rename(columns=names))
    OUT.print(f"{words.for_error()}\n")
    hours = made.hours_table
    hours["times"] = ["" if math.isnan(n) else f"{n:.0f}" for n in hours["times"]]
    print_table("Hours of work", hours.round({"minutes_each": 1, "hours": 1}))
    if made.to_know:
        OUT.print("To know")
        for line in made.to_know:
            OUT.print(f"- {plain(line)}")
        OUT.print()
