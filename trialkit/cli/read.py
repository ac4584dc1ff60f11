"""What was read of a trial's files, as `check` prints it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.cli.console import OUT, plain, print_table
from trialkit.words import readings as words

if TYPE_CHECKING:
    from trialkit.trial import Trial


def print_read(trial: Trial) -> None:
    """Rows of every file; below them columns not read, and the notes on how each was read."""
    from trialkit.intake.causes import sheet_of
    from trialkit.intake.heads import read_files

    shown = trial.read_shown.assign(file=trial.read["file"].map(sheet_of))
    print_table("Read", shown.drop(columns=["table", "notes"]))  # a file is named as its table
    told = list(read_files(trial.read, trial.extra, trial.tables))
    if asides := [file.aside for file in told if file.aside]:
        for aside in asides:
            OUT.print(plain(aside))
        OUT.print()
    if noted := [file for file in told if file.notes]:
        OUT.print(words.title(), style="bold")
        for file in noted:
            OUT.print(plain(file.file))
            for note in file.notes:
                OUT.print(f"- {plain(note)}")
        OUT.print()
