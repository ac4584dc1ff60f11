"""The command that takes what phones counted into a trial."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.app import app
from trialkit.cli.console import OUT, Steps, complain, plain, print_causes, print_table
from trialkit.intake.added import FOLDER
from trialkit.words import added as words

if TYPE_CHECKING:
    from trialkit.intake.adding import Added
    from trialkit.trial import Trial

SHOWN = 20


@app.command()
def add(
    trial: Annotated[Path, typer.Argument(help="A trial's folder or workbook.")],
    files: Annotated[
        list[Path] | None, typer.Argument(help="Files that phones exported (CSV).")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be taken; write nothing.")
    ] = False,
    drop: Annotated[
        list[str] | None, typer.Option(help="An entry that shall not count, as K7QF-12.")
    ] = None,
    apart: Annotated[
        list[str] | None,
        typer.Option(help="A phone whose frames in conflict are other frames: count both."),
    ] = None,
    strips_changed: Annotated[
        bool,
        typer.Option(
            "--strips-changed",
            help="Strips were renamed, added or taken out since the phones' page was made.",
        ),
    ] = False,
) -> None:
    """Take what phones counted into a trial; what was typed stays as it is.

    Each file is taken on its own merit. Exit code 0: nothing of them was refused or is in conflict;
    1: something was; 2: nothing could be taken.
    """
    if not files and not drop and not apart:
        complain(words.no_files())
        raise typer.Exit(2)
    with Steps() as say:
        from trialkit.intake.adding import add as add_files
        from trialkit.trial import as_trial

        found = add_files(
            trial, files or [], drop=drop or [], apart=apart or [],
            strips_changed=strips_changed, dry_run=dry_run, progress=say,
        )  # fmt: skip
    _print_files(found, dry_run)
    read = as_trial(found.intake, trial, harvested=False)
    _print_conflicts(found)
    _print_notes(read)
    _print_missing(read)
    if dry_run:
        OUT.print(words.dry())
    refused = bool(len(found.refused) or found.conflicts)
    OUT.print(plain(words.next_step(str(trial), refused, bool(read.to_fill))), soft_wrap=True)
    whole = [file for file in found.files if file.why]
    if whole and len(whole) == len(found.files):
        raise typer.Exit(2)
    raise typer.Exit(1 if refused or whole else 0)


def _print_files(found: Added, dry: bool) -> None:
    for file in found.files:
        if file.why:
            complain(file.told())
        else:
            OUT.print(plain(file.told(dry)), soft_wrap=True)
    for text in found.settled:
        OUT.print(plain(text), soft_wrap=True)
    OUT.print()
    if len(found.taken):
        print_table(words.taken_title(), found.taken)


def _print_conflicts(found: Added) -> None:
    """What was refused of the files by cause, and what is in conflict in the whole trial."""
    from trialkit.intake.causes import group

    own = found.refused[~found.refused["expected"].map(words.of_places).astype(bool)]
    if len(own):
        print_causes(group(own).causes[:SHOWN])
        OUT.print(f"{words.how_to_correct()}\n", soft_wrap=True)
    if found.conflicts:
        OUT.print(words.conflicts_title(len(found.conflicts)), style="bold")
        for text in found.conflicts[:SHOWN]:
            OUT.print(f"- {plain(text)}", soft_wrap=True)
        if len(found.conflicts) > SHOWN:
            OUT.print(words.more_conflicts(len(found.conflicts) - SHOWN))
        OUT.print()


def _print_notes(trial: Trial) -> None:
    """How the phones' files were read, and tables they add to; a line for every note."""
    read = trial.read
    of_phones = read["file"].str.contains(rf"(?:^|\s){FOLDER}/")  # a folder left behind too
    tables = set(read.loc[of_phones & read["table"].ne(""), "table"])
    shown = read[(of_phones | read["table"].isin(tables)) & read["notes"].ne("")]
    for row in shown.itertuples():
        for note in str(row.notes).splitlines():
            OUT.print(plain(words.note(str(row.file), note)), soft_wrap=True)
    if len(shown):
        OUT.print()


def _print_missing(trial: Trial) -> None:
    from trialkit.responses import RESPONSES

    if trial.to_fill:
        OUT.print(plain(trial.to_fill), soft_wrap=True)
    parts = trial.unlocks().set_index("part")
    usual = [u.part for r in RESPONSES.values() if r.shown == "full" for u in r.unlocked]
    locked = [(part, str(parts.loc[part, "reason"])) for part in usual
              if not parts.loc[part, "unlocked"]]  # fmt: skip
    if locked:
        OUT.print(plain(words.not_unlocked(locked)), soft_wrap=True)
