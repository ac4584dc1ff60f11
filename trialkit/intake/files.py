"""New files, whole or not at all: a reader never sees half a file, and none is ever replaced."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from trialkit.errors import FileExistsRefusal, TrialError


def write_new(path: str | Path, content: bytes) -> Path:
    """Write a file that does not exist yet, atomically.

    Raises
    ------
    FileExistsRefusal
        When something stands at `path` already; it is left untouched.
    TrialError
        When the folder is missing or cannot be written to.
    """
    path = Path(path)
    write_all(path.parent, {path.name: content}, make_folder=False)
    return path


def write_all(
    folder: str | Path, contents: Mapping[str, bytes], *, make_folder: bool = True
) -> Path:
    """Write several new files into a folder: all of them, or none and nothing left behind.

    The folder is made when it does not exist. Raises as `write_new`.
    """
    folder = Path(folder)
    refuse_existing(folder, contents)
    made: list[Path] = []
    placed: list[Path] = []
    try:
        if make_folder:
            made = _make(folder)
        with tempfile.TemporaryDirectory(prefix=".writing-", dir=folder) as draft:
            for name, content in contents.items():
                with open(Path(draft) / name, "xb") as stream:
                    stream.write(content)
                    stream.flush()
                    os.fsync(stream.fileno())
            for name in contents:
                _place(Path(draft) / name, folder / name)
                placed.append(folder / name)
    except BaseException as error:
        for path in placed:
            path.unlink(missing_ok=True)
        for made_folder in reversed(made):
            shutil.rmtree(made_folder, ignore_errors=True)
        if isinstance(error, FileExistsError):
            refuse_existing(folder, contents)
        if isinstance(error, OSError):
            raise TrialError(
                f"{folder} cannot be written to ({error.strerror or error}); nothing was written"
            ) from error
        raise
    return folder


def refuse_existing(folder: Path, names: Iterable[str]) -> None:
    """Raises FileExistsRefusal where files of these names stand in the folder already."""
    if os.path.lexists(folder) and not folder.is_dir():
        raise FileExistsRefusal(f"{folder} is a file, not a folder; nothing was written")
    there = [name for name in names if os.path.lexists(folder / name)]
    if there:
        raise FileExistsRefusal(
            f"{folder} already holds {', '.join(there)}; nothing was written. "
            "Choose another place, or move what is there."
        )


def _make(folder: Path) -> list[Path]:
    """Make the folder and its missing parents; those that were made, outermost first."""
    missing = [p for p in (folder, *folder.parents) if not p.exists()][::-1]
    for path in missing:
        path.mkdir()
    return missing


def _place(draft: Path, target: Path) -> None:
    """Give the finished draft its name; unlike a rename, a link never replaces what is there."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        with open(target, "xb") as stream:
            try:
                stream.write(draft.read_bytes())
            except BaseException:
                target.unlink()
                raise
