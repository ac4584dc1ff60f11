"""JupyterLab on a copy of the notebooks: what is copied, what is kept, and one real start."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit as tk
from trialkit.cli import app
from trialkit.errors import FileExistsRefusal, ReportError
from trialkit.pages import lab, notebooks_dir
from trialkit.pages.lab import lab_command, notebooks_copy, run_lab


def files(folder: Path) -> dict[str, bytes]:
    kept = (p for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    return {str(p.relative_to(folder)): p.read_bytes() for p in kept}


def test_copies_are_whole_and_never_overwrite(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    first, second = notebooks_copy(), notebooks_copy()
    assert [str(first), str(second)] == ["trialkit-notebooks", "trialkit-notebooks-2"]
    shipped = files(notebooks_dir())
    assert {name: files(first)[name] for name in shipped} == shipped
    assert tk.load_trial(first / "data_demo" / "cushion_pairs").refused.empty


def test_an_earlier_copy_is_opened_as_it_is(tmp_path: Path) -> None:
    folder = notebooks_copy(tmp_path / "mine")
    (folder / "tour.ipynb").write_text("changed", encoding="utf-8")
    assert notebooks_copy(folder) == folder
    assert (folder / "tour.ipynb").read_text(encoding="utf-8") == "changed"


def test_a_folder_of_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsRefusal, match="no copy of the notebooks"):
        notebooks_copy(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]


def test_options_reach_jupyterlab(tmp_path: Path) -> None:
    plain = lab_command(tmp_path)
    assert plain[0] == sys.executable
    assert "--LabApp.default_url=/lab/tree/tour.ipynb" in plain
    assert not {"--no-browser", "--allow-root"} & {*plain}
    full = lab_command(tmp_path, browser=False, port=8891, allow_root=True)
    assert {"--no-browser", "--ServerApp.port=8891", "--allow-root"} <= {*full}


def test_why_it_cannot_start_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as held:
        port = held.getsockname()[1]
        with pytest.raises(ReportError, match=f"Port {port} is in use"):
            run_lab(tmp_path, browser=False, port=port)
    monkeypatch.setattr(lab, "lab_command", lambda *a, **k: [sys.executable, "-c", "exit(3)"])
    with pytest.raises(ReportError, match="exit code 3"):
        run_lab(tmp_path)
    monkeypatch.setattr(lab, "find_spec", lambda name: None)
    result = CliRunner().invoke(app, ["lab", str(tmp_path / "new")])
    assert result.exit_code == 2
    assert "pip install jupyterlab" in result.stderr


def test_jupyterlab_serves_the_tour(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    start = "from trialkit.cli import app; app()"
    command = [sys.executable, "-c", start, "lab", "copy", "--no-browser",
               "--allow-root", "--port", str(port)]  # fmt: skip
    log = tmp_path / "log.txt"
    # A session of its own, so that the interrupt reaches it as Ctrl-C would: parent and server.
    with log.open("wb") as out, subprocess.Popen(
        command, cwd=tmp_path, stdout=out, stderr=out, stdin=subprocess.DEVNULL,
        start_new_session=True,
    ) as process:  # fmt: skip
        try:
            token = _token(log, port)
            page = _get(f"http://127.0.0.1:{port}/lab/tree/tour.ipynb?token={token}")
            tour = _get(f"http://127.0.0.1:{port}/files/tour.ipynb?token={token}")
        finally:
            os.killpg(process.pid, signal.SIGINT)
            time.sleep(0.2)
            os.killpg(process.pid, signal.SIGTERM)
            process.wait(timeout=30)
    assert b"jupyter-config-data" in page
    assert tour == (notebooks_dir() / "tour.ipynb").read_bytes()
    assert "/lab/tree/tour.ipynb?token=" in log.read_text(encoding="utf-8")


def _token(log: Path, port: int) -> str:
    """The token of the address JupyterLab prints, once it listens."""
    for _ in range(600):
        said = log.read_text(encoding="utf-8")
        if found := re.search(rf"127\.0\.0\.1:{port}/lab\S*\?token=(\w+)", said):
            return found[1]
        time.sleep(0.1)
    raise AssertionError(f"JupyterLab did not start:\n{log.read_text(encoding='utf-8')}")


def _get(url: str) -> bytes:
    for _ in range(100):
        try:
            with urllib.request.urlopen(url, timeout=10) as answer:
                return bytes(answer.read())
        except urllib.error.URLError:
            time.sleep(0.1)
    raise AssertionError(f"no answer from {url}")
