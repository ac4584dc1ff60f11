"""Where the notebooks and the demo trials are: beside the installed package, or at the top level
of the sources; and copies of them for the user."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from trialkit.errors import FileExistsRefusal, ReportError
from trialkit.intake.files import new_set, sweep

_PACKAGE = Path(__file__).resolve().parents[1]
_NOT_COPIED = shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints")


def _shared(name: str) -> Path:
    for base in (_PACKAGE / "_share", _PACKAGE.parent):
        if (base / name).is_dir():
            return base / name
    raise ReportError(
        f"The folder {name}/ that belongs to trialkit is missing; install trialkit again."
    )


def notebooks_dir() -> Path:
    """Folder of the notebooks shipped with trialkit."""
    return _shared("notebooks")


def demo_dir(name: str = "cushion_pairs") -> Path:
    """Folder of one of the demo trials.

    Raises
    ------
    ReportError
        When there is no demo trial of that name; the message lists those there are.
    """
    folder = _shared("data_demo")
    names = sorted(p.name for p in folder.iterdir() if (p / "trial.toml").is_file())
    if name not in names:
        raise ReportError(f"There is no demo trial {name!r}; there are: {', '.join(names)}.")
    return folder / name


def template_dir() -> Path:
    """Folder of the page templates."""
    return Path(__file__).resolve().parent / "templates"


@contextmanager
def new_copy(source: Path, folder: Path | None, name: str) -> Iterator[tuple[Path, Path]]:
    """Copy a folder to one that does not exist yet, or is empty.

    Parameters
    ----------
    source : Path
    folder : Path or None
        Where to; None takes `name` here, or the first of name-2, name-3, ... that is free.

    Yields
    ------
    target, draft : Path
        Where it will be, and the copy that becomes it with all that is added meanwhile.

    Raises
    ------
    FileExistsRefusal
        When `folder` holds anything.
    """
    if folder is None:
        names = (Path(name if n == 1 else f"{name}-{n}") for n in count(1))
        folder = next(path for path in names if not os.path.lexists(path))
    elif folder.exists():
        sweep(folder)
        if not folder.is_dir() or any(folder.iterdir()):
            raise FileExistsRefusal(f"{folder} exists and is not empty; name a new folder.")
    with new_set(folder) as draft:
        shutil.copytree(source, draft, ignore=_NOT_COPIED, dirs_exist_ok=True)
        yield folder, draft
