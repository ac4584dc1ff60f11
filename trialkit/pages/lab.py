"""JupyterLab on a copy of the notebooks, so that nothing shipped is changed by using it."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import sys
from functools import partial
from importlib.util import find_spec
from pathlib import Path

from trialkit.ending import end_at_once
from trialkit.errors import FileExistsRefusal, ReportError
from trialkit.pages.resources import demo_dir, new_copy, notebooks_dir

FIRST = "tour.ipynb"
_INTERRUPTED = (-2, 130)  # ended by Ctrl-C: as a signal, and as a shell tells it


def notebooks_copy(folder: Path | None = None) -> Path:
    """Copy the notebooks to a new folder, with the demo trials in its ``data_demo``.

    Parameters
    ----------
    folder : Path, optional
        Where to; by default trialkit-notebooks, or the first of trialkit-notebooks-2, ... that is
        free. A folder that already holds the tour is an earlier copy and stays as it is.

    Raises
    ------
    FileExistsRefusal
        When the folder holds something else.
    """
    if folder is not None and (folder / FIRST).is_file():
        return folder
    try:
        with new_copy(notebooks_dir(), folder, "trialkit-notebooks") as (target, draft):
            shutil.copytree(demo_dir().parent, draft / "data_demo")
    except FileExistsRefusal as error:
        raise FileExistsRefusal(
            f"{folder} exists and is no copy of the notebooks; name a new folder."
        ) from error
    return target


def lab_command(
    folder: Path, *, browser: bool = True, port: int | None = None, allow_root: bool = False
) -> list[str]:
    """The command line that opens JupyterLab on a copy of the notebooks, the tour first."""
    command = [
        sys.executable, "-m", "jupyterlab",
        f"--ServerApp.root_dir={folder.resolve()}",
        f"--LabApp.default_url=/lab/tree/{FIRST}",
    ]  # fmt: skip
    if not browser:
        command.append("--no-browser")
    if port is not None:  # a port that was asked for is not exchanged for another one
        command += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]
    if allow_root:
        command.append("--allow-root")
    return command


def run_lab(
    folder: Path, *, browser: bool = True, port: int | None = None, allow_root: bool = False
) -> None:
    """Run JupyterLab on a copy of the notebooks until it is ended.

    Raises
    ------
    ReportError
        When it is not installed, the port is taken, or it ends with an error.
    """
    if find_spec("jupyterlab") is None:
        raise ReportError(
            f"JupyterLab is not installed beside trialkit; install it: "
            f"{sys.executable} -m pip install jupyterlab"
        )
    if port is not None and _taken(port):
        raise ReportError(f"Port {port} is in use on this machine; name another with --port.")
    command = lab_command(folder, browser=browser, port=port, allow_root=allow_root)
    # Does what started it end without a word, so does JupyterLab, with its kernels.
    tied = partial(end_at_once, signal.SIGTERM) if sys.platform == "linux" else None
    with subprocess.Popen(command, preexec_fn=tied) as server:
        while True:
            try:
                code = server.wait()
                break
            except KeyboardInterrupt as stop:
                if getattr(stop, "number", signal.SIGINT) == signal.SIGINT:
                    continue  # it went to JupyterLab as well, which asks and closes down
                server.terminate()
                raise
    if code not in (0, *_INTERRUPTED):
        raise ReportError(
            f"JupyterLab ended with exit code {code}; what it said stands above. The notebooks are "
            f"in {folder} and open in any Jupyter."
        )


def _taken(port: int) -> bool:
    with socket.socket() as probe:
        # As a server would: a port that only rests after its last use is free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return True
    return False
