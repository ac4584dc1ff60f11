"""What ends a run early, what is said of it, and that nothing outlives it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from trialkit import ending
from trialkit.cli import app
from trialkit.cli.console import OUT
from trialkit.ending import Stopped, alive, held, stoppable, temporary
from trialkit.pages import demo_dir

PATIENCE = 120.0  # s; what is waited for comes in a few
posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="signals are not sent here")
MAIN = [sys.executable, "-m", "trialkit"]


def until(there: Callable[[], object]) -> None:
    end = time.monotonic() + PATIENCE
    while not there():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


@pytest.fixture
def scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The temporary folder of what a test runs."""
    place = tmp_path / "scratch"
    place.mkdir()
    monkeypatch.setenv("TMPDIR", str(place))
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    return place


@pytest.fixture(autouse=True)
def heard() -> Iterator[None]:
    """Ctrl-C is heard, also where the tests run in the background of a shell, which ignores it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@posix
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_is_an_exception_and_then_as_before(name: str, scratch: Path) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    with pytest.raises(Stopped) as raised, stoppable(), temporary():
        signal.raise_signal(number)
    assert raised.value.number == number
    assert list(scratch.iterdir()) == []
    done = []
    with pytest.raises(Stopped), stoppable(), held():
        signal.raise_signal(number)
        done.append(1)
    assert done == [1]
    assert signal.getsignal(number) == before


@posix
def test_what_is_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stoppable(), held():
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


@posix
def test_only_what_a_dead_run_left_is_swept(scratch: Path) -> None:
    if (child := os.fork()) == 0:
        with temporary() as folder:
            (folder / "page.typ").touch()
            os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    (dead,) = scratch.iterdir()
    mine, elsewhere = scratch / "trialkit-notes", scratch / f"trialkit-{child}-zzzz-0000"
    other = scratch / dead.name.replace(ending._machine(), "0000")
    for folder in (mine, elsewhere, other):
        folder.mkdir()
    with temporary() as own:
        assert set(scratch.iterdir()) == {mine, elsewhere, other, own}
        assert own.stat().st_mode & 0o77 == 0
    old = time.time() - 2 * ending._DAY
    os.utime(other, (old, old))
    os.utime(mine, (old, old))
    with temporary():
        pass
    assert set(scratch.iterdir()) == {mine, elsewhere}


def run(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})
    return result.exit_code, " ".join(result.stderr.split())


@posix
@pytest.mark.parametrize(("name", "code"), [("SIGINT", 130), ("SIGTERM", 143)])
def test_stopped_says_what_was_written(
    name: str, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object, **__: object) -> None:
        signal.raise_signal(getattr(signal, name))

    monkeypatch.setattr(OUT, "print", stop)  # after it was written
    told = f"Stopped. Written: {tmp_path / 'new'}; nothing else was."
    assert run("new", tmp_path / "new") == (code, told)
    monkeypatch.setattr("trialkit.intake.template._commented_toml", stop)  # and before
    assert run("new", tmp_path / "second") == (code, "Stopped. Nothing was written.")
    assert [p.name for p in tmp_path.iterdir()] == ["new"]


def test_an_error_after_writing_says_what_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(OUT, "print", full)
    told = f"No space left on device Written: {tmp_path / 'new'}; nothing else was."
    assert run("new", tmp_path / "new") == (2, told)


EARLY = """
import signal, sys, trialkit.__main__ as command
class Stop:
    def find_spec(self, name, *_):
        if name == "trialkit.cli.{at}":
            signal.raise_signal(signal.{signal})
sys.meta_path.insert(0, Stop())
sys.argv = ["trialkit", "check", "nowhere"]
command.main()
"""


@posix
@pytest.mark.parametrize(("name", "code"), [("SIGINT", 130), ("SIGTERM", 143)])
def test_stopped_while_it_is_loaded(name: str, code: int) -> None:
    script = EARLY.format(at="cards", signal=name)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, timeout=PATIENCE)
    assert (done.returncode, done.stderr) == (code, b"Stopped. Nothing was written.\n")


@posix
def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    command = [*MAIN, "plan", "--example"]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, timeout=PATIENCE)
    os.close(write)
    assert done.stderr == b""


def _of(mark: str) -> set[int]:
    """Processes with this text in their environment."""
    found = set()
    for path in Path("/proc").glob("[0-9]*/environ"):
        try:
            if mark.encode() in path.read_bytes():
                found.add(int(path.parent.name))
        except OSError:  # another user's, or gone meanwhile
            continue
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="processes are looked up in /proc")
@pytest.mark.parametrize("name", ["SIGINT", "SIGKILL"])
def test_a_stopped_report_leaves_nothing(name: str, scratch: Path, tmp_path: Path) -> None:
    """Stopped while its notebook's kernel is at work."""
    trial = Path(shutil.copytree(demo_dir(), tmp_path / "trial"))
    before = set(trial.iterdir())
    mark = f"TRIALKIT_TEST_MARK={tmp_path}"
    with subprocess.Popen(
        [*MAIN, "report", str(trial), "--for", "researcher"], stderr=subprocess.PIPE,
        env=os.environ | dict([mark.split("=")]), start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as process:  # fmt: skip
        until(lambda: list(scratch.glob("trialkit-*/kernel.json")))
        until(lambda: len(_of(mark)) >= 2)
        process.send_signal(getattr(signal, name))
        said = process.communicate(timeout=PATIENCE)[1].decode()
    until(lambda: not _of(mark))
    assert set(trial.iterdir()) == before
    if name == "SIGINT":
        assert process.returncode == 130
        assert said.splitlines()[-1] == "Stopped. Nothing was written."
    else:  # the next one sweeps
        assert len(list(scratch.iterdir())) == 1
        with temporary():
            pass
    assert list(scratch.iterdir()) == []


HELPED = """
import os, sys, time
from trialkit.pages.helpers import shared
home = os.getpid()
def work(x):
    if os.getpid() != home:
        print(os.getpid(), flush=True)
    time.sleep(600)
shared(work, [0, 1], 2)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="helpers are no copies here")
def test_a_helper_ends_with_its_parent() -> None:
    threads = dict.fromkeys(
        ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1"
    )  # fmt: skip
    with subprocess.Popen(
        [sys.executable, "-c", HELPED], stdout=subprocess.PIPE, env=os.environ | threads
    ) as process:
        assert process.stdout is not None
        helper = int(process.stdout.readline())
        process.kill()
        process.wait()
        until(lambda: not alive(helper) or _is_zombie(helper))


def _is_zombie(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


WATCHED = """
import os, sys, time
from trialkit import ending
ending.end_at_once = lambda *_: None
parent = os.getpid()
child = os.fork()
if child == 0:
    ending.end_with_parent(parent, at_once=True)
    print(os.getpid(), flush=True)
time.sleep(600)
"""


@posix
def test_without_the_kernels_help_too() -> None:
    with subprocess.Popen([sys.executable, "-c", WATCHED], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        helper = int(process.stdout.readline())
        process.kill()
        process.wait()
        until(lambda: not alive(helper) or _is_zombie(helper))
