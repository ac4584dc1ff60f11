"""What may not outlive a run: folders it makes for a while, helper processes; and the signals
that stop it early."""

from __future__ import annotations

import multiprocessing
import os
import platform
import re
import secrets
import shutil
import signal
import sys
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

Done = TypeVar("Done")

TEMPORARY = "trialkit-"
WRITTEN: list[Path] = []
"""Files and folders that were written for the user in this run, in their order."""

_OWNER = re.compile(r"(\d{1,9})-([0-9a-f]{4})-[0-9a-f]{4}")  # process, machine, chance
_DAY = 86400.0  # s; no folder for a while is needed longer, whoever made it

_STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
_TIDYING = 2.0  # s after a signal in which another one does not disturb the tidying up
_LOST = 6.0  # s after which a signal that had no effect is sent again
_WATCH = 0.5  # s between two looks whether the parent is there
_PR_SET_PDEATHSIG = 1


class Stopped(KeyboardInterrupt):
    """A signal stopped the run; `number` says which."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


@contextmanager
def stoppable() -> Iterator[list[int]]:
    """Ctrl-C, SIGTERM and SIGHUP raise `Stopped` meanwhile, so that whatever tidies up does.

    A signal that was ignored before, as by nohup, stays so. Libraries may swallow what is raised
    in the middle of them: but for Ctrl-C, which can be pressed again, it is then sent again.

    Yields
    ------
    list of int
        The numbers of the signals that came.
    """
    came: list[int] = []
    quiet_until = 0.0

    def send_again(number: int) -> None:
        if came:
            os.kill(os.getpid(), number)

    def act(number: int, _: Any) -> None:
        nonlocal quiet_until
        if time.monotonic() < quiet_until:
            return
        quiet_until = time.monotonic() + _TIDYING
        came.append(number)
        if number != signal.SIGINT:
            again = threading.Timer(_LOST, send_again, [number])
            again.daemon = True
            again.start()
        raise Stopped(number)

    with _handling(act):
        try:
            yield came
        finally:
            came.clear()


@contextmanager
def held() -> Iterator[None]:
    """Signals that would stop the run wait until what is done meanwhile is done."""
    came: list[int] = []
    try:
        with _handling(lambda number, _: came.append(number)):
            yield
    finally:
        for number in came[:1]:
            signal.raise_signal(number)


@contextmanager
def _handling(act: Callable[[int, Any], None]) -> Iterator[None]:
    """`act` handles the signals meanwhile, but those that are ignored; in the main thread, as no
    other one gets any."""
    before: dict[int, Any] = {}
    try:
        if threading.current_thread() is threading.main_thread():
            for number in _STOPS:
                if signal.getsignal(number) not in (signal.SIG_IGN, None):
                    before[number] = signal.signal(number, act)
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def temporary() -> Iterator[Path]:
    """A folder for a while, of this user alone, in the system's temporary folder.

    Those that killed runs have left there are removed first.

    Raises
    ------
    OSError
        When none can be made.
    """
    base = Path(tempfile.gettempdir())
    for left in forsaken(base, TEMPORARY):
        remove(left)
    path = own_folder(base, TEMPORARY)
    try:
        path.mkdir(0o700)
        yield path
    finally:
        remove(path)


def own_folder(base: Path, prefix: str) -> Path:
    """A name, free in `base`, that says which process of which machine it belongs to."""
    while True:
        name = f"{prefix}{os.getpid()}-{_machine()}-{secrets.token_hex(2)}"
        if not os.path.lexists(base / name):
            return base / name


def forsaken(base: Path, prefix: str) -> list[Path]:
    """Folders of `own_folder` whose process has ended, or that are more than a day old."""
    try:
        found = [base / name for name in os.listdir(base) if name.startswith(prefix)]
    except OSError:
        return []
    return [path for path in found if _is_forsaken(path, path.name.removeprefix(prefix))]


def _is_forsaken(path: Path, owner: str) -> bool:
    made_by = _OWNER.fullmatch(owner)
    try:
        about = path.lstat()
    except OSError:
        return False
    ours = not hasattr(os, "getuid") or about.st_uid == os.getuid()
    if made_by is None or not ours or path.is_symlink() or not path.is_dir():
        return False
    if time.time() - about.st_mtime > _DAY:
        return True
    return made_by[2] == _machine() and not alive(int(made_by[1]))


def remove(path: Path) -> bool:
    """Remove a folder and whether it has gone; a process that is ending may still write to it."""
    for wait in (0.0, 0.1, 0.3):
        time.sleep(wait)
        shutil.rmtree(path, ignore_errors=True)
        if not os.path.lexists(path):
            return True
    return False


def _machine() -> str:
    return f"{zlib.crc32(platform.node().encode()) & 0xFFFF:04x}"


def alive(process: int) -> bool:
    """Whether there is a process of this number on this machine."""
    if os.name == "nt":  # there a signal of zero would end it
        import psutil

        return bool(psutil.pid_exists(process))
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:  # another user's
        return True
    return True


_tied = 0


def end_with_parent(parent: int, *, at_once: bool = False) -> None:
    """See to it that this process, a helper, ends when its parent has, however that ended.

    Parameters
    ----------
    parent : int
        Its number. In the parent itself nothing is done.
    at_once : bool
        Have Linux end it in the same moment. Only where the thread that started the helper lives
        as long as its process, since it is that thread's end which counts.
    """
    global _tied
    if os.getpid() in (parent, _tied):
        return
    _tied = os.getpid()
    if at_once:
        end_at_once()
    before = os.getppid()

    def watch() -> None:
        while os.getppid() == before and alive(parent):
            time.sleep(_WATCH)
        os._exit(1)

    if not alive(parent):
        os._exit(1)
    threading.Thread(target=watch, daemon=True).start()


def tied(parent: int, work: Callable[..., Done], *given: Any) -> Done:
    """Do a piece of work in a helper that ends with its parent, or in the parent itself.

    Only joblib's own helpers (loky), which are this machine's, are tied so: other backends see to
    theirs, which may be another machine's, where the number means nothing.
    """
    if multiprocessing.current_process().name.startswith("LokyProcess"):
        end_with_parent(parent)
    return work(*given)


def end_at_once(number: int | None = None) -> None:
    """On Linux, send this process a signal, SIGKILL unless told, when the thread that started it
    ends."""
    if sys.platform == "linux":
        number = signal.SIGKILL if number is None else number
        import ctypes

        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, number, 0, 0, 0)
