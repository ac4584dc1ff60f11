"""The command that simulates plans: what each would tell, and in how many hours."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from trialkit.cli.app import app
from trialkit.cli.cluster import Cluster
from trialkit.cli.console import ERR, OUT, Steps, complain, plain, print_table
from trialkit.words import commands as words

if TYPE_CHECKING:
    from trialkit.plan import PowerGrid

_FILES = ("power.csv", "power_rounds.csv", "power_expected.csv", "power.svg")
_VARIED = "power_sensitivity.csv"
_LIST = "as in 4,6,8 or 4-8"


@app.command("power")
def power_command(
    source: Annotated[
        Path,
        typer.Argument(help="The file that describes the plan, or the folder of a planned trial."),
    ],
    reduction: Annotated[
        float | None,
        typer.Option(help="Percent by which every level loses less than the reference. [30]"),
    ] = None,
    pairs: Annotated[
        str | None, typer.Option(help=f"Pairs (blocks) in each field, {_LIST}.")
    ] = None,
    frames: Annotated[
        str | None, typer.Option(help=f"Frames (or grain samples) on each strip, {_LIST}.")
    ] = None,
    from_trials: Annotated[
        Path | None, typer.Option(help="Folder of past trials to learn loss and variation from.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Drawn and printed unless told.", min=0)] = None,
    jobs: Annotated[int, typer.Option(help="Processes.", min=1)] = 2,
    cluster: Cluster = None,
    sensitivity: Annotated[
        bool,
        typer.Option("--sensitivity",
                     help="Simulate the cheapest plan with half and double variances too."),
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="Folder for tables (CSV) and figure (SVG); none is "
                                  "overwritten.")
    ] = None,
) -> None:  # fmt: skip
    """Simulate trials of many plans: power and what can be told, against hours of work.

    So that it is seen before harvest whether a seventh pair beats twenty more frames. What is
    simulated stands in the file's section [power]; trialkit plan --example shows it.
    """
    with Steps() as say:
        say("loading trialkit")
        from trialkit.intake.files import refuse_existing

        _check_reduction(reduction)
        if out is not None:  # before it is simulated for a minute
            refuse_existing(out, (*_FILES, _VARIED))
        asked = {
            "reduction": None if reduction is None else reduction / 100,
            "pairs": None if pairs is None else numbers(pairs, "pairs"),
            "frames": None if frames is None else numbers(frames, "frames"),
        }
        if from_trials is not None:
            say(words.learning())
        simulate = _simulation(source, from_trials, asked)
    with _Bar(words.simulating()) as progress:
        grid = simulate(seed=seed, jobs=jobs, client=cluster, progress=progress)
    varied = _varied(grid, jobs=jobs, client=cluster) if sensitivity else None
    written = None if out is None else _write(grid, varied, out)
    _print(grid, varied)
    if written:
        OUT.print(f"Written: {plain(written)}", soft_wrap=True)


def _varied(grid: PowerGrid, **how: Any) -> Any:
    """What the cheapest plan comes to where things are otherwise than expected."""
    from trialkit import plan as tp

    if (best := grid.cheapest()) is None:
        complain(words.none_varied())
        return None
    with _Bar(words.varying()) as progress:
        return tp.sensitivity(grid, best.pairs, best.frames, best.fields, progress=progress, **how)


def _print(grid: PowerGrid, varied: Any) -> None:
    from trialkit.words.power import legend

    print_table("Plans", grid.shown())
    OUT.print(f"{legend()}\n", soft_wrap=True)
    if varied is not None:
        print_table(words.cheapest_varied(), varied.round(3))
    for text in grid.sentences:
        OUT.print(plain(text), soft_wrap=True)
    if (best := grid.cheapest()) is not None:
        _exchange(grid, best)
    OUT.print(f"Seed: {grid.seed}")


def _check_reduction(reduction: float | None) -> None:
    """Refuses what is no percentage, in percent as it was given."""
    from trialkit.errors import DesignError

    if reduction is not None and (not -1000 <= reduction < 100 or 0 < abs(reduction) < 1):
        raise DesignError(
            f"--reduction is {reduction:g}; give percent, as in 30 for 30 % less or -20 for 20 % "
            "more, below 100 and of at least 1 either way."
        )


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


def _simulation(
    source: Path, from_trials: Path | None, asked: dict[str, Any]
) -> Callable[..., PowerGrid]:
    """What is left to call with a seed, jobs and progress."""
    from functools import partial

    from trialkit import plan as tp

    if not source.is_dir():
        return partial(tp.read_description(source).power, from_trials=from_trials, **asked)
    from trialkit.intake.read import read_trial
    from trialkit.plan.power_run import of_plan

    planned = tp.read_plan(source)
    told = {} if planned is None else of_plan(planned)
    told |= {key: value for key, value in asked.items() if value is not None}
    return partial(tp.power, read_trial(source).config, from_trials=from_trials, **told)


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

    def __init__(self, title: str) -> None:
        self._title, self._quarters = title, 0
        self._progress = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
            TimeRemainingColumn(), console=ERR, disable=not ERR.is_terminal, transient=True,
        )  # fmt: skip
        self._task = self._progress.add_task(title, total=None)

    def __enter__(self) -> Callable[[int, int], None]:
        self._progress.start()
        return self._moved

    def _moved(self, done: int, of: int) -> None:
        self._progress.update(self._task, completed=done, total=of)
        if self._progress.disable and 4 * done // of > self._quarters:
            self._quarters = 4 * done // of
            ERR.print(f"{self._title}: {25 * self._quarters} %")

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
