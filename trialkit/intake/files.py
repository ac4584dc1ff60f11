"""New files, whole or not at all: a reader never sees half a file or half a set, and nothing is
ever replaced.

A set of files is written in a draft, a folder beside its place whose name says which process it
belongs to, and then gets its place: where the folder is new it is renamed once, where it exists
every file gets its name by a link. What a killed run leaves is its draft, which the next run in
that place sweeps; was it killed between two of the links, the next run makes the others.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from errno import EDQUOT, EEXIST, EFBIG, EIO, ENOENT, ENOSPC, ENOTDIR, ENOTEMPTY, EROFS
from itertools import count
from pathlib import Path

from trialkit.ending import WRITTEN, forsaken, held, own_folder, remove
from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.words import commands as words

DRAFT = ".writing-"
# Within a draft: being written; all there, with how many; each in its place or none.
_NEW, _WHOLE, _DONE = "new", "whole-", "done"
_OF_DISKS = {ENOSPC, EDQUOT, EFBIG, EIO, EROFS}


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
    with new_set(folder, contents, make_folder=make_folder) as draft:
        for name, content in contents.items():
            with open(draft / name, "xb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
    return folder


def write_numbered(path: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files beside one another, by what their names end in after that of `path` (".pdf",
    "_labels.pdf"), or with -2, -3, ... where one of them exists; never overwrite."""
    parts = [(path.suffix if end == ".html" else end).rpartition(".") for end in files]
    for n in count(1):
        number = "" if n == 1 else f"-{n}"
        names = [f"{path.stem}{mark}{number}.{suffix}" for mark, _, suffix in parts]
        written = [path.with_name(name) for name in names]
        try:
            write_all(path.parent, dict(zip(names, files.values(), strict=True)))
            return written
        except FileExistsRefusal:
            if not any(map(os.path.lexists, written)):  # their folder stands in the way
                raise
    raise AssertionError("unreachable")


@contextmanager
def new_set(
    folder: str | Path, names: Iterable[str] = (), *, make_folder: bool = True
) -> Iterator[Path]:
    """A folder to write new files and folders in, which all get their place in `folder` in the
    end; or none does, and nothing is left behind.

    Parameters
    ----------
    folder : path
        Made when it does not exist.
    names : iterable of str
        What is going to be written, as far as it is known.
    make_folder : bool
        Whether the folder may be made.

    Raises
    ------
    FileExistsRefusal
        When something stands in the place of one of the new files already; it is left untouched.
    TrialError
        When the folder cannot be written to.
    """
    folder, names = Path(folder), tuple(names)
    # The nearest folder that is there, so that all that is missing appears at once.
    base = folder
    if make_folder:
        base = next((p for p in (folder, *folder.parents) if os.path.lexists(p)), folder)
    sweep(base)
    refuse_existing(folder, names)
    draft, missing = own_folder(base, DRAFT), folder.relative_to(base)
    inside, left = draft / _NEW / missing, list[Path]()
    try:
        try:
            if ".." in missing.parts:
                raise FileNotFoundError(ENOENT, os.strerror(ENOENT), str(folder))
            draft.mkdir(0o700)
            inside.mkdir(parents=True)
            yield inside
            names = names or tuple(path.name for path in inside.iterdir())
            with held():
                _note(_move(draft, missing, folder, left))
        finally:
            if not remove(draft):
                left.append(draft)
    except OSError as error:
        if not _of_writing(error, draft, folder):
            raise
        if isinstance(error, FileExistsError) and not left:
            refuse_existing(folder, names)
        raise TrialError(
            f"{folder} cannot be written to ({_reason(error)}); {_state(left, draft)}"
        ) from error


def _of_writing(error: OSError, draft: Path, folder: Path) -> bool:
    """Whether it is about these files, and not about something else that went on meanwhile."""
    if isinstance(error.filename, str | bytes | Path):
        about = Path(os.fsdecode(error.filename))
        return about in (folder, *folder.parents) or not {draft, folder}.isdisjoint(
            (about, *about.parents)
        )
    return isinstance(error, shutil.Error) or error.errno in _OF_DISKS


def _reason(error: OSError) -> str:
    if isinstance(error, shutil.Error) and error.args and error.args[0]:
        first = str(error.args[0][0][-1])  # of several files, "[Errno 28] No space left ...: ..."
        return re.sub(r"^\[Errno \d+\] ([^:]*).*", r"\1", first)
    return error.strerror or str(error)


def _state(left: list[Path], draft: Path) -> str:
    """What is there now, in words."""
    if not left:
        return "nothing was written"
    return words.stayed([str(path) for path in left if path != draft], str(draft))


def _note(placed: Iterable[Path]) -> None:
    """Keep what was written for the user; a set within another's draft is not there yet."""
    WRITTEN.extend(
        path for path in placed if not any(part.startswith(DRAFT) for part in path.parts)
    )


def sweep(folder: Path) -> None:
    """Remove drafts in a folder whose run was killed. Of a set that had begun to get its place
    the rest gets its own, so that it is whole."""
    for draft in forsaken(folder, DRAFT):
        with suppress(OSError):
            for whole in draft.glob(f"{_WHOLE}*"):
                _finish(whole, folder)
        remove(draft)


def _finish(whole: Path, folder: Path) -> None:
    there = list(whole.iterdir())
    pairs = [(path, folder / path.name) for path in there]
    linked = any(target.exists() and path.samefile(target) for path, target in pairs)
    if linked or len(there) < int(whole.name.removeprefix(_WHOLE)):
        for path, target in pairs:
            if not os.path.lexists(target):
                _place(path, target)


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


def _move(draft: Path, missing: Path, folder: Path, left: list[Path]) -> list[Path]:
    """Give a finished set its place and say what was placed; `left` gets what could not be taken
    back when that failed."""
    many = len(list((draft / _NEW).iterdir()))
    whole = (draft / _NEW).rename(draft / f"{_WHOLE}{many}")
    try:
        if missing.parts:
            top = draft.parent / missing.parts[0]
            try:
                (whole / top.name).rename(top)  # replaces nothing but an empty folder
                return [folder]
            except OSError as error:  # another run made some of it meanwhile
                if error.errno not in (EEXIST, ENOTEMPTY, ENOTDIR):
                    raise
            folder.mkdir(parents=True, exist_ok=True)
        return _move_each(whole / missing, folder, left)
    finally:  # what is left in it is no set any more
        whole.rename(draft / _DONE)


def _move_each(inside: Path, folder: Path, left: list[Path]) -> list[Path]:
    placed: list[tuple[Path, Path]] = []
    try:
        for path in sorted(inside.iterdir(), key=lambda p: (p.is_dir(), p.name)):
            _place(path, folder / path.name)
            placed.append((path, folder / path.name))
    except BaseException:
        for path, target in reversed(placed):
            try:
                if path.exists():
                    target.unlink()
                else:
                    target.rename(path)
            except OSError:
                left.append(target)
        raise
    return [target for _, target in placed]


def _place(draft: Path, target: Path) -> None:
    """Give a finished file or folder its name; never that of something that is there."""
    if draft.is_dir():
        if os.path.lexists(target):
            raise FileExistsError(EEXIST, os.strerror(EEXIST), str(target))
        draft.rename(target)
        return
    try:
        os.link(draft, target)  # unlike a rename, it replaces nothing
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        try:
            draft.replace(target)
        except BaseException:
            target.unlink()
            raise
