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
from trialkit.cli.trials import Units

if TYPE_CHECKING:
    from trialkit.plan import Plan

MAP, PLACES = "pass_map.svg", "pass_map.geojson"


class Layout(StrEnum):
    """How setups lie in a block."""

    PAIRS = "pairs"
    BLOCKS = "blocks"
    SPLIT = "split"


class Order(StrEnum):
    """How blocks are run."""

    POSITION = "position"
    FEWEST = "fewest changes"


def _option(about: str, panel: str, *names: str, **more: Any) -> Any:
    return typer.Option(*names, help=about, rich_help_panel=panel, show_default=False, **more)


_WHAT, _GROUND, _LAID, _COUNTED = ("What is compared", "Ground", "Layout", "What is counted")
_LONG = "ft or m, or with its unit"


@app.command("plan")
def plan_command(
    folder: Annotated[Path | None, typer.Argument(help="New folder for the trial.")] = None,
    source: Annotated[
        Path | None, typer.Option("--from", help="A plan described in a TOML file; see --example.")
    ] = None,
    example: Annotated[
        bool, typer.Option("--example", help="Print such a file, to save and change.")
    ] = False,
    no_sheets: Annotated[
        bool, typer.Option("--no-sheets", help="Leave the tables to count into without rows.")
    ] = False,
    compare: Annotated[
        list[str] | None,
        _option("cushion, gap, speed, or NAME=LEVEL,LEVEL; may be repeated.", _WHAT),
    ] = None,
    hard: Annotated[list[str] | None, _option("Factor that takes hours to change.", _WHAT)] = None,
    title: Annotated[str | None, _option("Title of the trial.", _WHAT)] = None,
    season: Annotated[int | None, _option("Year of harvest; this one unless told.", _WHAT)] = None,
    units: Annotated[Units | None, _option("US unless told.", _WHAT)] = None,
    header_rows: Annotated[
        int | None, _option("Rows of the header; 8 unless told.", _GROUND, min=1, max=36)
    ] = None,
    row_spacing: Annotated[
        str | None, _option("in or m, or with its unit; 30 in unless told.", _GROUND)
    ] = None,
    planter_rows: Annotated[
        int | None, _option("Rows of the planter; strips keep to its passes.", _GROUND)
    ] = None,
    field: Annotated[
        list[str] | None, _option("Name of the field; may be repeated, all of one size.", _GROUND)
    ] = None,
    field_length: Annotated[
        str | None, _option(f"Along the rows, headlands included; {_LONG}.", _GROUND)
    ] = None,
    field_width: Annotated[
        str | None, _option(f"Across the rows; {_LONG}; as much as it takes unless told.", _GROUND)
    ] = None,
    field_rows: Annotated[
        int | None, _option("Rows across, instead of the width.", _GROUND)
    ] = None,
    headland: Annotated[str | None, _option(f"At each end; {_LONG}.", _GROUND)] = None,
    corner: Annotated[
        str | None,
        _option("LATITUDE,LONGITUDE of the near left corner: adds a map as GeoJSON.", _GROUND),
    ] = None,
    heading: Annotated[
        float | None, _option("Along the rows, degrees clockwise from north.", _GROUND)
    ] = None,
    layout: Annotated[Layout | None, _option("As the factors ask for unless told.", _LAID)] = None,
    blocks: Annotated[
        int | None, _option("Blocks (pairs) in each field; 6 unless told.", _LAID)
    ] = None,
    seed: Annotated[int | None, _option("Drawn and recorded unless told.", _LAID)] = None,
    pass_rows: Annotated[int | None, _option("Rows taken in a pass.", _LAID)] = None,
    border_passes: Annotated[int | None, _option("At either side; 1 unless told.", _LAID)] = None,
    buffer_passes: Annotated[int | None, _option("Between blocks; 0 unless told.", _LAID)] = None,
    min_length: Annotated[
        str | None, _option(f"Shortest strip; {_LONG}; 300 ft unless told.", _LAID)
    ] = None,
    balance: Annotated[
        bool | None,
        _option("Every setup at every place of its block equally often.", _LAID, "--balance"),
    ] = None,
    max_run: Annotated[
        int | None, _option("Blocks in a row that begin alike; 3 unless told.", _LAID)
    ] = None,
    order: Annotated[Order | None, _option("How blocks are run.", _LAID)] = None,
    max_change_hours: Annotated[float | None, _option("Most hours of changing.", _LAID)] = None,
    header_frames: Annotated[
        int | None, _option("On every strip, as all of these; 8 unless told.", _COUNTED)
    ] = None,
    preharvest_frames: Annotated[int | None, _option("2 unless told.", _COUNTED)] = None,
    total_frames: Annotated[int | None, _option("2 unless told.", _COUNTED)] = None,
    frame_area: Annotated[
        str | None, _option("ft2 or m2, or with its unit; 10 ft2 (SI: 1 m2) unless told.", _COUNTED)
    ] = None,
    ear_area: Annotated[
        str | None,
        _option("Searched for ears, 0: none; 1/100 acre (SI: 40 m2) unless told.", _COUNTED),
    ] = None,
    grain_samples: Annotated[int | None, _option("2 unless told.", _COUNTED)] = None,
    residue_samples: Annotated[
        int | None, _option("In the tank; 1 unless told.", _COUNTED)
    ] = None,
    intake_samples: Annotated[
        int | None, _option("Of what fell behind the machine; 1 unless told.", _COUNTED)
    ] = None,
    butt_samples: Annotated[
        int | None, _option("Groups of ears collected at the header; 1 unless told.", _COUNTED)
    ] = None,
    frame_minutes: Annotated[
        float | None, _option("To count a frame; 3 unless told.", _COUNTED, min=0.0)
    ] = None,
    change_minutes: Annotated[
        float | None,
        _option("Of one change of a factor that is hard to change; 120 unless told.", _COUNTED,
                min=0.0),
    ] = None,
) -> None:
    """Lay out a trial at random and write its folder, ready to fill in.

    trialkit plan chain-trial --compare cushion --field-length 1320 --planter-rows 16 --headland 60

    Nothing is ever overwritten. Exit code 2: no such plan can be run and analysed; the nearest one
    that can is told.
    """
    from trialkit.intake.files import refuse_existing
    from trialkit.plan import PlanRefused, check_description
    from trialkit.plan.described import EXAMPLE
    from trialkit.plan.record import RECORD
    from trialkit.schema import TABLES

    if example:
        OUT.print(EXAMPLE, end="", soft_wrap=True)
        return
    described = {
        "--compare": compare, "--hard": hard, "--title": title, "--season": season,
        "--units": units, "--header-rows": header_rows, "--row-spacing": row_spacing,
        "--planter-rows": planter_rows, "--field": field, "--field-length": field_length,
        "--field-width": field_width, "--field-rows": field_rows, "--headland": headland,
        "--corner": corner, "--heading": heading,
    }  # fmt: skip
    laid = {
        "layout": layout, "blocks": blocks, "seed": seed, "pass_rows": pass_rows,
        "border_passes": border_passes, "buffer_passes": buffer_passes, "min_length": min_length,
        "balance": balance, "max_run": max_run, "order": order,
        "max_change_hours": max_change_hours,
    }  # fmt: skip
    counted = {
        "header_frames": header_frames, "preharvest_frames": preharvest_frames,
        "total_frames": total_frames, "frame_area": frame_area, "ear_area": ear_area,
        "grain_samples": grain_samples, "residue_samples": residue_samples,
        "intake_samples": intake_samples, "butt_samples": butt_samples,
    }  # fmt: skip
    data = _data(folder, source, described)
    timed: dict[str, Any] = {"frame_minutes": frame_minutes}
    if change_minutes is not None:
        own = data.get("setup")
        slow = [f for f in own if isinstance(f, dict)] if isinstance(own, list) else []
        timed["change_minutes"] = {
            f["name"]: change_minutes for f in slow if f.get("hard_to_change") and "name" in f
        }
    for section, options in (("plan", laid), ("count", counted), ("work", timed)):
        given = {k: v.value if isinstance(v, StrEnum) else v for k, v in options.items()
                 if v is not None}  # fmt: skip
        if given and isinstance(data.get(section, {}), dict):
            data[section] = {**data.get(section, {}), **given}
    asked = check_description(data, source.name if source else "The plan asked for")
    assert folder is not None
    refuse_existing(
        folder, (*(f"{name}.csv" for name in TABLES), "trial.toml", RECORD, MAP, PLACES)
    )
    try:
        with Steps() as say:
            say("drawing the plan")
            made = asked.plan()
            say("drawing the map")
            from trialkit.plots import pass_map

            more = {MAP: pass_map(made).svg_file()}
            if asked.corners:
                places = made.geojson(asked.corners, asked.headings)
                more[PLACES] = f"{json.dumps(places, ensure_ascii=False)}\n".encode()
            say("writing the folder")
            made.write(folder, None if no_sheets else asked.effort, more)
    except PlanRefused as refused:
        complain(str(refused))
        if refused.nearest:
            complain(f"As options: {_as_options(refused.nearest)}")
        raise typer.Exit(2) from None
    _print(made)
    for name, what in (("", "Trial"), *((n, "Map") for n in more)):
        OUT.print(f"{what + ':':7}{plain(folder / name)}", soft_wrap=True)


def _data(folder: Path | None, source: Path | None, described: Mapping[str, Any]) -> dict[str, Any]:
    """The description, from the file or from the options that stand for one."""
    from trialkit.errors import TrialError
    from trialkit.plan.described import description_data
    from trialkit.plan.simple import simple_description

    given = {name: value for name, value in described.items() if value is not None}
    if folder is None:
        raise TrialError("Give the new folder to write the trial to: trialkit plan FOLDER")
    if folder.suffix.lower() == ".xlsx":
        raise TrialError(
            "A plan is written to a folder. A workbook of it then: trialkit new "
            f"{folder} --from FOLDER"
        )
    if source is not None:
        if given:
            raise TrialError(
                f"{', '.join(given)} cannot stand beside --from: change {source} instead."
            )
        return description_data(source)
    if missing := [name for name in ("--compare", "--field-length") if name not in given]:
        raise TrialError(
            f"Give {' and '.join(missing)}, or a file that describes the plan: --from plan.toml. "
            "An example of one: trialkit plan --example"
        )
    at = None
    if (corner := given.get("--corner")) is not None:
        try:
            at = [float(part) for part in corner.split(",")]
        except ValueError:
            raise TrialError(
                f"--corner is {corner!r}; give latitude and longitude, as in 41.50,-93.60"
            ) from None
        if len(given.get("--field", [""])) > 1:
            raise TrialError("--corner is that of one field; describe several in a file: --from")
    return simple_description(
        given["--compare"],
        length=given["--field-length"],
        fields=given.get("--field", ()),
        hard=given.get("--hard", ()),
        system=str(given.get("--units", "US")),
        title=given.get("--title", ""),
        season=given.get("--season"),
        header_rows=given.get("--header-rows", 8),
        row_spacing=given.get("--row-spacing"),
        width=given.get("--field-width"),
        rows=given.get("--field-rows"),
        planter_rows=given.get("--planter-rows"),
        headland=given.get("--headland"),
        corner=at,
        heading=given.get("--heading", None if at is None else 0.0),
    )


def _as_options(nearest: Mapping[str, Any]) -> str:
    """Arguments of `plan_trial` to change, as the command takes them."""
    words = []
    for name, value in nearest.items():
        if name == "setups":
            words.append("(and no setups in [plan])")
            continue
        if name == "min_length":  # rounded so that it still holds
            value = f"{math.floor(100 * value) / 100:g}m"
        elif name == "max_change_hours":
            value = f"{math.ceil(1000 * value) / 1000:g}"
        text = f'"{value}"' if " " in str(value) else str(value)
        words.append(f"--{name.replace('_', '-')} {text}")
    return " ".join(words)


def _print(made: Plan) -> None:
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
    print_table("What judges each factor", judged.rename(columns=names))
    OUT.print("For error: degrees of freedom of the classical test of the factor's stratum.\n")
    hours = made.hours_table
    hours["times"] = ["" if math.isnan(n) else f"{n:.0f}" for n in hours["times"]]
    print_table("Hours of work", hours.round({"minutes_each": 1, "hours": 1}))
    if made.notes:
        OUT.print("To know")
        for line in made.notes:
            OUT.print(f"- {plain(line)}")
        OUT.print()
