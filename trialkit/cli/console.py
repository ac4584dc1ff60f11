"""What every command shares: printing of plain text, steps with their seconds, errors."""

from __future__ import annotations

import os
import re
import signal
import time
import warnings
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd
import typer
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from typer.core import TyperGroup

from trialkit.display import visible
from trialkit.ending import WRITTEN, stoppable
from trialkit.errors import TrialkitError
from trialkit.words import causes as cause_words
from trialkit.words import commands as words

if TYPE_CHECKING:
    from trialkit.intake.causes import Cause

# Without a home folder to write to IPython takes a temporary one, which it need not tell.
warnings.filterwarnings("ignore", message="IPython parent")
# User text is printed literally: no markup, no highlighting, no emoji codes.
OUT = Console(markup=False, highlight=False, emoji=False)
ERR = Console(markup=False, highlight=False, emoji=False, stderr=True)


def plain(text: object) -> str:
    """Text for a terminal: control characters are shown, not obeyed; missing is empty."""
    if text is None or text is pd.NA or text != text:
        return ""
    return re.sub(r"[\t\n\r]", lambda m: f"\\x{ord(m[0]):02x}", visible(str(text)))


def complain(message: str) -> None:
    for line in message.splitlines():
        ERR.print(plain(line), soft_wrap=True)


# As a season goes; help lists the commands in this order.
SEASON = ("demo", "plan", "power", "header", "cards", "new", "add", "check", "analyse",
          "report", "gather", "compare", "lab")  # fmt: skip


class Guarded(TyperGroup):
    """What trialkit or the disk refuses ends in one sentence and exit code 2, no traceback; and
    so does a signal, with the exit code it has in a shell."""

    def list_commands(self, ctx: Any) -> list[str]:
        return sorted(super().list_commands(ctx), key=SEASON.index)

    def invoke(self, ctx: Any) -> Any:
        WRITTEN.clear()
        with stoppable() as signals:
            try:
                return super().invoke(ctx)
            except BaseException as error:
                code = _ends(error, signals)
                if code is None:
                    raise
        raise typer.Exit(code)


def _ends(error: BaseException, signals: list[int]) -> int | None:
    """Say in a sentence what ended a command; the exit code, or None where it is another's to
    say. What a library makes of a signal in its midst is that signal all the same."""
    written = list(map(str, WRITTEN))
    if isinstance(error, KeyboardInterrupt) or (signals and not isinstance(error, typer.Exit)):
        complain(words.stopped(written))
        return 128 + (signals[-1] if signals else signal.SIGINT)
    if isinstance(error, BrokenPipeError):  # the reader of our output has gone
        return None
    if isinstance(error, TrialkitError):
        complain(str(error))
    elif isinstance(error, MemoryError):
        complain(words.out_of_memory())
    elif isinstance(error, OSError):
        complain(": ".join(filter(None, (error.strerror or str(error), _path(error.filename)))))
    else:
        return None
    if written:
        complain(words.all_written(written))
    return 2


def _path(name: object) -> str:
    return os.fsdecode(name) if isinstance(name, str | bytes | os.PathLike) else ""


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

    def at(self, text: str) -> None:
        """How far the step is; on a terminal alone, without a line of its own."""
        if self._status:
            self._status.update(f"{plain(text)} ...")

    def _close(self) -> None:
        seconds = time.perf_counter() - self._step_began
        if self._step and seconds >= TOLD:
            ERR.print(f"{seconds:6.1f} s  {self._step}", soft_wrap=True)
        self._step = ""


def print_table(title: str, frame: pd.DataFrame) -> None:
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    heads = [plain(column).replace("_", " ") for column in frame.columns]
    rows = [[plain(cell) for cell in row] for row in frame.itertuples(index=False)]
    widths = _widths([heads, *rows], OUT.width - 2 * len(heads))
    for k, head in enumerate(heads):
        numeric = pd.api.types.is_numeric_dtype(frame.iloc[:, k])
        table.add_column(
            head, justify="right" if numeric else "left", overflow="fold", width=widths[k]
        )
    for row in rows:
        table.add_row(*row)
    OUT.print(table)
    OUT.print()


def _widths(rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """Widths of columns that together have `room`: as wide as their words at least, so that one is
    broken only where they do not fit beside one another, the longest first."""
    columns = list(zip(*rows, strict=True))
    full = [max(map(cell_len, column)) for column in columns]
    widths = [max(cell_len(word) for cell in column for word in cell.split() or [""])
              for column in columns]  # fmt: skip
    while sum(widths) > room and max(widths) > 1:
        widths[widths.index(max(widths))] -= 1
    while sum(widths) < min(room, sum(full)):
        widths[max(range(len(full)), key=lambda k: full[k] / max(widths[k], 1))] += 1
    return widths


def print_causes(causes: Iterable[Cause]) -> None:
    """What to correct: where, what stands there, what is expected and what it costs, below."""
    OUT.print(cause_words.title(), style="bold")
    for k, cause in enumerate(causes, 1):
        head, *below = cause_words.in_lines(
            cause.where, cause.column, cause.stood, cause.expected, cause.lost
        )
        OUT.print(f"{k:>2}. {plain(head)}", soft_wrap=True)
        for line in below:
            OUT.print(f"    {plain(line)}", soft_wrap=True)
