"""What every command shares: printing of plain text, steps with their seconds, errors."""

from __future__ import annotations

import re
import time
from typing import Any

import pandas as pd
import typer
from rich.console import Console
from rich.table import Table
from typer.core import TyperGroup

from trialkit.errors import TrialkitError

# User text is printed literally: no markup, no highlighting, no emoji codes.
OUT = Console(markup=False, highlight=False, emoji=False)
ERR = Console(markup=False, highlight=False, emoji=False, stderr=True)


def plain(text: object) -> str:
    """Text for a terminal: control characters are shown, not obeyed; missing is empty."""
    if text is None or text is pd.NA or text != text:
        return ""
    return re.sub(r"[\x00-\x1f\x7f-\x9f]", lambda m: f"\\x{ord(m[0]):02x}", str(text))


def complain(message: str) -> None:
    for line in message.splitlines():
        ERR.print(plain(line), soft_wrap=True)


# As a season goes; help lists the commands in this order.
SEASON = ("demo", "plan", "power", "header", "cards", "new", "check", "analyse", "report",
          "compare", "lab")  # fmt: skip


class Guarded(TyperGroup):
    """What trialkit or the disk refuses ends in one sentence and exit code 2, no traceback."""

    def list_commands(self, ctx: Any) -> list[str]:
        return sorted(super().list_commands(ctx), key=SEASON.index)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except TrialkitError as error:
            complain(str(error))
        except BrokenPipeError:  # the reader of our output has gone; not ours to tell
            raise
        except OSError as error:
            complain(f"{error.strerror or error}: {error.filename or ''}")
        raise typer.Exit(2)


TOLD = 0.05  # s; what takes less is not worth a line


class Steps:
    """Says on stderr what is being done, with the seconds each step took."""

    def __init__(self) -> None:
        self._began = self._step_began = time.perf_counter()
        self._step = ""
        self._status = ERR.status("") if ERR.is_terminal else None

    def __enter__(self) -> Steps:
        if self._status:
            self._status.start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._close()
        if self._status:
            self._status.stop()
        if failure[0] is None:
            ERR.print(f"{time.perf_counter() - self._began:6.1f} s  in all")

    def __call__(self, step: str) -> None:
        self._close()
        self._step, self._step_began = plain(step), time.perf_counter()
        if self._status:
            self._status.update(f"{self._step} ...")

    def _close(self) -> None:
        seconds = time.perf_counter() - self._step_began
        if self._step and seconds >= TOLD:
            ERR.print(f"{seconds:6.1f} s  {self._step}", soft_wrap=True)
        self._step = ""


def print_table(title: str, frame: pd.DataFrame) -> None:
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for column in frame.columns:
        numeric = pd.api.types.is_numeric_dtype(frame[column])
        table.add_column(
            str(column).replace("_", " "), justify="right" if numeric else "left", overflow="fold"
        )
    for row in frame.itertuples(index=False):
        table.add_row(*(plain(cell) for cell in row))
    OUT.print(table)
    OUT.print()
