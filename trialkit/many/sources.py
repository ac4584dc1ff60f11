"""Where trials come from: folders of them, or whatever else hands out parts of many trials.

A part is what one piece of work reads, wherever it is done, so parts can be pickled.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, runtime_checkable

from trialkit.errors import ClusterError, TrialError
from trialkit.intake.reading import refuse_outside
from trialkit.many.store import is_store
from trialkit.many.store_source import StoreSource, befores, named
from trialkit.trial import Trial, load_trial
from trialkit.words import cluster, readings

Skipped = tuple[str, str, str]
"""Name of a trial that is not used, kind and reason, as `TrialsCompared.skipped` has them."""


class Part(Protocol):
    """Some trials, read together. A part of several says how many by an attribute ``size``.

    Whatever hangs on who reads it, such as a folder that a worker does not see, is raised and not
    handed out as a trial's error.
    """

    def trials(self) -> Iterator[tuple[str, Trial | Exception]]:
        """Every trial's name and the trial, or what reading it ended in."""


@runtime_checkable
class Source(Protocol):
    """Trials in parts."""

    @property
    def skipped(self) -> list[Skipped]:
        """What was left out before anything is read."""

    def parts(self) -> Sequence[Part]:
        """Pieces of work, in the order of their results."""


def size_of(part: Part) -> int:
    """How many trials a part holds."""
    return int(getattr(part, "size", 1))


@dataclass(frozen=True, slots=True)
class TrialPath:
    """One trial: its folder or workbook, the folder it was looked for in, and its name."""

    path: Path
    root: Path
    name: str

    def trials(self) -> Iterator[tuple[str, Trial | Exception]]:
        """Whatever it provokes is handed on, so that it costs only itself.

        Raises
        ------
        ClusterError
            When whoever reads it does not see it: what is compared must not hang on who reads.
        """
        if not os.path.lexists(self.path):
            raise ClusterError(cluster.unseen(str(self.path)))
        try:
            refuse_outside(self.path, self.root)
            yield self.name, load_trial(self.path)
        except Exception as error:
            yield self.name, error


class FolderSource:
    """Every trial under one or several folders; several put their own names before the trials'.

    Parameters
    ----------
    folders : sequence of path

    Raises
    ------
    TrialError
        When there is no such folder, or no trial in one.
    """

    def __init__(self, folders: Sequence[str | Path]) -> None:
        roots = [Path(folder) for folder in folders]
        if not roots:
            raise TrialError("Give at least one folder that holds trials.")
        self._parts: list[TrialPath] = []
        self.skipped: list[Skipped] = []
        for root, before in zip(roots, befores([root.resolve() for root in roots]), strict=True):
            paths, closed = _trial_paths(root)
            self._parts += [TrialPath(path, root, _name(path, root, before)) for path in paths]
            self.skipped += [
                (_name(Path(error.filename), root, before), "unreadable",
                 readings.closed_folder(str(error.strerror)))
                for error in closed
            ]  # fmt: skip

    def parts(self) -> Sequence[TrialPath]:
        """A part for every trial, folder by folder."""
        return self._parts


def source_of(
    what: str | Path | Iterable[str | Path] | Source, *, elsewhere: bool = False
) -> Source:
    """A path, several paths, a store's path, or a source as it is, as a source; `elsewhere` where
    workers in other folders read it."""
    if isinstance(what, Source):
        return what
    paths = [Path(p) for p in ([what] if isinstance(what, (str, Path)) else what)]
    if elsewhere:
        paths = [path.absolute() for path in paths]
    if stores := [path for path in paths if is_store(path)]:
        if len(paths) > 1:
            raise TrialError(
                f"{stores[0]} is a store of trials, which is compared alone; gather the other "
                "folders into it."
            )
        return StoreSource(paths[0])
    return FolderSource(paths)


def _name(path: Path, root: Path, before: str) -> str:
    below = path.relative_to(root).as_posix() if path != root else ""
    return named(before, below, root.resolve())


def _trial_paths(root: Path) -> tuple[list[Path], list[OSError]]:
    """Folders that hold settings or a strips table, and workbooks outside such folders; and what
    folders that cannot be looked into gave. Links to folders are not followed: they could go in
    rings.
    """
    if not root.is_dir():
        raise TrialError(f"{root} is no folder; give the folder that holds the trials.")
    paths: list[Path] = []
    closed: list[OSError] = []
    for place, below, names in os.walk(root, onerror=closed.append):
        below[:] = [name for name in below if not name.startswith((".", "~"))]
        names = [name for name in names if not name.startswith((".", "~"))]
        if {name.casefold() for name in names} & {"trial.toml", "strips.csv"}:
            paths.append(Path(place))
        else:
            books = (n for n in names if Path(n).suffix.casefold() in (".xlsx", ".xlsm"))
            paths += [Path(place) / name for name in books]
    if not paths:
        shut = ""
        if closed:
            why = readings.closed_folder(str(closed[0].strerror))
            shut = f" {_name(Path(closed[0].filename), root, '')}: {why}"
        raise TrialError(
            f"{root} holds no trial: no folder with a trial.toml, and no workbook (.xlsx).{shut}"
        )
    return sorted(paths), closed
