"""One way to read a file of a trial: regular files only, inside its folder, within the limits."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from pathlib import Path

from trialkit.errors import TrialError
from trialkit.intake.limits import VARIABLE, beyond, check_limit, limits

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)
# Opening must not wait for somebody to write, nor make a terminal ours.
_FLAGS = os.O_RDONLY | sum(
    getattr(os, name, 0) for name in ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_BINARY")
)
MEMORY_TIMES = 17
"""Memory to read tables, as a multiple of their size as text: measured (peak of the whole process)
on 2,000,000 frames of 28 bytes a row."""


def read_file(path: str | Path, limit: str = "file_bytes", *, inside: Path | None = None) -> bytes:
    """The content of a regular file.

    Parameters
    ----------
    path : path
    limit : str
        The limit its size is held to, of `trialkit.intake.limits.Limits`.
    inside : Path, optional
        The trial's folder: a link that leads out of it is refused unless `outside_links` allows it.

    Raises
    ------
    TrialError
        When it is no file (a named pipe or a device is not even opened), leads elsewhere, is
        beyond the limit or changes while it is read.
    OSError
        When the system cannot open it.
    """
    path = Path(path)
    if inside is not None:
        refuse_outside(path, inside)
    _refuse_special(path, os.stat(path).st_mode)
    with open(os.open(path, _FLAGS), "rb", buffering=0) as stream:
        found = os.fstat(stream.fileno())  # of what was opened: the name may be another's by now
        _refuse_special(path, found.st_mode)
        check_limit(limit, found.st_size, str(path))
        content = stream.read(found.st_size) or b""
        while len(content) < found.st_size and (more := stream.read(found.st_size - len(content))):
            content += more
        if len(content) < found.st_size or stream.read(1):
            raise TrialError(f"{path} changed while it was read; close what writes it, read again")
    return content


def check_memory(paths: Iterable[Path], where: Path) -> None:
    """Refuse a trial whose text files together would take more memory than the limit."""
    size = sum(path.stat().st_size for path in paths if path.is_file())
    if size * MEMORY_TIMES > limits().memory_bytes:
        raise beyond("memory_bytes", size * MEMORY_TIMES, str(where))


def _refuse_special(path: Path, mode: int) -> None:
    if stat.S_ISREG(mode):
        return
    kind = next((words for test, words in _KINDS if test(mode)), "no regular file")
    raise TrialError(f"{path} is {kind}, not a file; put the file itself in its place")


def refuse_outside(path: Path, inside: Path) -> None:
    """Raise TrialError for a link out of the folder `inside`, unless the limits allow it."""
    if limits().outside_links:
        return
    target = Path(os.path.realpath(path))
    if not target.is_relative_to(os.path.realpath(inside)):
        raise TrialError(
            f"{path} is a link that leads out of the trial's folder, to {target}; put the file "
            f"itself there, or allow such links with the environment variable "
            f"{VARIABLE}=outside_links=1"
        )
