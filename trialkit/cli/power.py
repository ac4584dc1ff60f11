"""The command that simulates plans: what each would tell, and in how many hours."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from trialkit.cli.app import app
from trialkit.cli.console import ERR, OUT, Steps, complain, plain, print_table
from trialkit.cli.trials import Units

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.plan import Expected, PowerGrid


class Counted(StrEnum):
    """What setups are compared by."""

    LOSS = "header-loss"
    DAMAGE = "kernel-damage"


def _option(about: str, panel: str, *names: str, **more: Any) -> Any:
    return typer.Option(*names, help=about, rich_help_panel=panel, **more)


_WHAT, _TRUTH, _PLANS, _RUN = ("What is compared", "What is true", "Plans", "Simulation")
_FILES = ("power.csv", "power_rounds.csv", "power_expected.csv", "power.svg")
_VARIED = "power_sensitivity.csv"
_LIST = "as in 4,6,8 or 4-8"


@app.command("power")
def power_command(
    folder: Annotated[
        Path | None, typer.Argument(help="A folder made by trialkit plan, or any trial's.")
    ] = None,
    source: Annotated[
        Path | None, _option("A plan described in a TOML file, as trialkit plan takes it.", _WHAT,
                             "--from")
    ] = None,
    compare: Annotated[
        list[str] | None,
        _option("Without a folder: cushion (unless told), gap, speed, or NAME=LEVEL,LEVEL; may be "
                "repeated.", _WHAT),
    ] = None,
    units: Annotated[Units, _option("Without a folder: units of losses.", _WHAT)] = Units.US,
    response: Annotated[Counted, _option("What is counted.", _WHAT)] = Counted.LOSS,
    reduction: Annotated[
        float, _option("Percent by which every level loses less than the reference.", _TRUTH)
    ] = 30.0,
    loss: Annotated[
        float | None, _option("Header loss of the reference, bu/ac or kg/ha. [1 bu/ac]", _TRUTH)
    ] = None,
    damage: Annotated[
        float | None, _option("Damaged kernels of the reference, percent. [5]", _TRUTH)
    ] = None,
    from_trials: Annotated[
        Path | None, _option("Folder of past trials to learn loss and variation from.", _TRUTH)
    ] = None,
    pairs: Annotated[
        str | None, _option(f"Pairs (blocks) in each field, {_LIST}.", _PLANS)
    ] = None,
    frames: Annotated[
        str | None, _option(f"Frames (or grain samples) on each strip, {_LIST}.", _PLANS)
    ] = None,
    fields: Annotated[str | None, _option(f"Fields, {_LIST}.", _PLANS)] = None,
    frame_minutes: Annotated[
        float | None, _option("Minutes to count a frame. [3]", _PLANS, min=0.0)
    ] = None,
    change_minutes: Annotated[
        float | None,
        _option("Minutes of one change of a factor that is hard to change. [120]", _PLANS, min=0.0),
    ] = None,
    rounds: Annotated[int, _option("Simulated trials of each plan.", _RUN, min=2)] = 200,
    seed: Annotated[
        int | None, _option("Drawn and printed unless told.", _RUN, min=0)
    ] = None,
    jobs: Annotated[int, _option("Processes.", _RUN, min=1)] = 2,
    aim: Annotated[float, _option("Power aimed at, percent.", _RUN, "--power")] = 80.0,
    sensitivity: Annotated[
        bool, _option("Simulate the cheapest plan with half and double variances too.", _RUN,
                      "--sensitivity")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="Folder for tables (CSV) and figure (SVG); none is "
                                  "overwritten.")
    ] = None,
) -> None:  # fmt: skip
    """Simulate trials of many plans: power and what can be told, against hours of work.

    So that it is seen before harvest whether a seventh pair beats twenty more frames.
    """
    with Steps() as say:
        say("loading trialkit")
        from trialkit import plan as tp
        from trialkit.intake.files import refuse_existing
        from trialkit.plan.power_grid import LEGEND

        _percentages(reduction, aim)
        if out is not None:  # before it is simulated for a minute
            refuse_existing(out, (*_FILES, _VARIED))
        config, settled = _source(folder, source, compare, units)
        if from_trials is not None:
            say("learning from past trials")
        expected = _expected(config, from_trials, loss, damage)
        work = settled.pop("work", None) or tp.Work()
        if frame_minutes is not None:
            work = replace(work, frame_minutes=frame_minutes)
        if change_minutes is not None:
            own = {f.name: change_minutes for f in config.setups if f.hard_to_change}
            work = replace(work, change_minutes={**work.change_minutes, **own})
        for name, text in (("pairs", pairs), ("frames", frames), ("fields", fields)):
            if text is not None:
                settled[name] = numbers(text, name)
    with _Bar("Simulating") as progress:
        grid = tp.power(
            config, reduction=reduction / 100, response=response.value.replace("-", "_"),  # type: ignore[arg-type]
            expected=expected, rounds=rounds, seed=seed, jobs=jobs, aim=aim / 100, work=work,
            progress=progress, **settled,
        )  # fmt: skip
    varied = None
    best = grid.cheapest()
    if sensitivity and best is not None:
        with _Bar("Varying what is true") as progress:
            varied = tp.sensitivity(grid, best.pairs, best.frames, best.fields, jobs=jobs,
                                    progress=progress)  # fmt: skip
    elif sensitivity:
        complain("No plan reaches the power, so none was varied.")
    written = None if out is None else _write(grid, varied, out)
    print_table("Plans", grid.shown())
    OUT.print(f"{LEGEND}\n", soft_wrap=True)
    if varied is not None:
        print_table("The cheapest plan when other things are true", varied.round(3))
    for text in grid.sentences:
        OUT.print(plain(text), soft_wrap=True)
    if best is not None:
        _exchange(grid, best)
    OUT.print(f"Seed: {grid.seed}")
    if written:
        OUT.print(f"Written: {plain(written)}", soft_wrap=True)


def _percentages(reduction: float, aim: float) -> None:
    """Refuses what is no percentage, in percent as it was given."""
    from trialkit.errors import DesignError

    if not -1000 <= reduction < 100 or 0 < abs(reduction) < 1:
        raise DesignError(
            f"--reduction is {reduction:g}; give percent, as in 30 for 30 % less or -20 for 20 % "
            "more, below 100 and of at least 1 either way."
        )
    if not 5 < aim < 100:
        raise DesignError(f"--power is {aim:g}; give percent above 5 and below 100, as in 80.")


def numbers(text: str, name: str) -> list[int]:
    """ "4,6,8" or "4-8", or both.

    Raises
    ------
    DesignError
        For anything else.
    """
    from trialkit.errors import DesignError

    out: list[int] = []
    for part in text.split(","):
        found = re.fullmatch(r"\s*(\d{1,3})\s*(?:-\s*(\d{1,3})\s*)?", part)
        if found is None or (found[2] and int(found[2]) < int(found[1])):
            raise DesignError(f"--{name} is {text!r}; give whole numbers, {_LIST}.")
        out += range(int(found[1]), int(found[2] or found[1]) + 1)
    return out


def _source(
    folder: Path | None, described: Path | None, compare: list[str] | None, units: Units
) -> tuple[TrialConfig, dict[str, Any]]:
    """Settings of the trial, and what its plan settles."""
    from trialkit.errors import TrialError
    from trialkit.plan import check_description, read_description, read_plan
    from trialkit.plan.power_run import of_plan
    from trialkit.plan.simple import simple_description

    if sum(map(bool, (folder, described, compare))) > 1:
        raise TrialError("Give one of a folder, --from and --compare.")
    if folder is not None:
        from trialkit.intake.read import read_trial

        planned = read_plan(folder)
        return read_trial(folder).config, {} if planned is None else of_plan(planned)
    if described is not None:
        found = read_description(described)
        return found.config, of_plan(found.plan())
    length = "750 ft" if units is Units.US else "230 m"
    simple = simple_description(compare or ["cushion"], length=length, system=units.value)
    return check_description(simple, "--compare").config, {}


def _expected(
    config: TrialConfig, folder: Path | None, loss: float | None, damage: float | None
) -> Expected:
    from trialkit import plan as tp
    from trialkit.plan.power_expected import PREHARVEST_SHARE
    from trialkit.quantities import scales

    expected = tp.Expected() if folder is None else tp.learn(folder)
    stated: dict[str, float] = {}
    if loss is not None:
        own = scales("kg/ha", config.units)[0].factor
        stated["loss"] = loss / own
        if folder is None:  # keeps its share of it
            stated["preharvest"] = PREHARVEST_SHARE * loss / own
    if damage is not None:
        stated["damage"] = damage / 100
    basis = {key: text for key, text in expected.basis.items() if key not in stated}
    return replace(expected, **stated, basis=basis)  # type: ignore[arg-type]


def _exchange(grid: PowerGrid, best: Any) -> None:
    """One more pair against more frames, from a plan one step short of the cheapest."""
    from trialkit.errors import DesignError

    smaller = sorted(n for n in set(grid.table["pairs"]) if n < best.pairs)
    fewer = sorted(n for n in set(grid.table["frames"]) if n < best.frames)
    pairs = smaller[-1] if smaller else best.pairs
    frames = fewer[-1] if fewer else best.frames
    try:
        OUT.print(plain(grid.better(pairs, frames, best.fields).sentence), soft_wrap=True)
    except DesignError:  # a grid of one plan
        return


class _Bar:
    """A progress bar on stderr; a line a quarter where that is no terminal."""

    def __init__(self, words: str) -> None:
        self._words, self._quarters = words, 0
        self._progress = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
            TimeRemainingColumn(), console=ERR, disable=not ERR.is_terminal, transient=True,
        )  # fmt: skip
        self._task = self._progress.add_task(words, total=None)

    def __enter__(self) -> Callable[[int, int], None]:
        self._progress.start()
        return self._told

    def _told(self, done: int, of: int) -> None:
        self._progress.update(self._task, completed=done, total=of)
        if self._progress.disable and 4 * done // of > self._quarters:
            self._quarters = 4 * done // of
            ERR.print(f"{self._words}: {25 * self._quarters} %")

    def __exit__(self, *failure: object) -> None:
        self._progress.stop()


def _write(grid: PowerGrid, varied: Any, out: Path) -> Path:
    from trialkit.intake.files import write_all
    from trialkit.plots import effort

    tables = dict(zip(_FILES, (grid.table, grid.rounds, grid.expected.table()), strict=False))
    if varied is not None:
        tables[_VARIED] = varied
    contents = {name: table.to_csv(index=False).encode() for name, table in tables.items()}
    contents[_FILES[-1]] = effort(grid).svg().encode()
    return write_all(out, contents)
