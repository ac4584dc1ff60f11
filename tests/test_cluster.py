"""Work done by a cluster: the same numbers to the last digit, also when a worker is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import joblib
import numpy as np
import pandas as pd
import pytest
from cluster_work import (
    Counted,
    end_worker,
    refuse_seven,
    third,
    third_part,
    tie,
    times_unpickled,
)
from frozen_trials import CUSHION_PAIRS, frozen_dir
from many_trials import assert_same, write_trials
from typer.testing import CliRunner

import trialkit as tk
from trialkit import ending, mapping
from trialkit.cli import app
from trialkit.errors import ClusterError, ModelError
from trialkit.many.store_source import StoreSource
from trialkit.mapping import AHEAD, mapped, opened

distributed = pytest.importorskip("distributed")
PATIENCE = 120.0  # s; what is waited for comes in a few


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trials(tmp_path_factory.mktemp("trials") / "region", range(5))


@contextmanager
def killed_at_work(client: Any) -> Iterator[list[int]]:
    """The first worker that has something to do is killed while it does it."""
    client.wait_for_workers(2, PATIENCE)
    processes = client.run(os.getpid)
    killed: list[int] = []
    over = threading.Event()

    def watch() -> None:
        while not over.is_set():
            for worker, tasks in client.processing().items():
                if tasks and worker in processes:
                    os.kill(processes[worker], signal.SIGKILL)
                    killed.append(processes[worker])
                    return
            time.sleep(0.01)

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        yield killed
    finally:
        over.set()
        watcher.join()


# ---------------------------------------------------------------- the mapping
class Watched(Sequence[int]):
    """Numbers that know how far they were read."""

    def __init__(self, n: int) -> None:
        self.n, self.read = n, 0

    def __len__(self) -> int:
        return self.n

    def __getitem__(self, i: Any) -> Any:
        if i >= self.n:
            raise IndexError
        self.read = i + 1
        return i


def test_results_in_order_with_a_window_of_work(client: Any) -> None:
    items = Watched(200)
    got = []
    for i, result in enumerate(mapped(third, items, client=client)):
        got.append(result)
        # Two workers of one thread each.
        assert items.read <= i + 1 + 2 * AHEAD
    assert got == [i / 3.0 for i in range(200)]
    assert list(mapped(third, [], client=client)) == []


def test_what_is_shared_is_sent_to_a_worker_once(client: Any) -> None:
    client.amm.stop()  # which takes from a worker that is idle what others have too
    try:
        found = list(mapped(partial(times_unpickled, Counted()), range(40), client=client))
    finally:
        client.amm.start()
    assert max(found) == 1
    numbers = np.arange(50_000.0)
    found = list(mapped(partial(third_part, numbers), range(40), client=client))
    assert found == [(i / 3.0, True) for i in range(40)]


def test_an_error_is_the_works_own_and_cancels_the_rest(client: Any) -> None:
    got = []
    with pytest.raises(ModelError, match="seven has no root"):
        for i in mapped(refuse_seven, range(100), client=client):
            got.append(i)
    assert got == list(range(7))
    left = mapped(refuse_seven, [i for i in range(100) if i != 7], client=client)
    next(left)
    left.close()
    end = time.monotonic() + PATIENCE
    while any(client.processing().values()):
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_piece_that_ends_its_workers_is_told_in_a_sentence(
    client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client.cluster.scheduler, "allowed_failures", 0)
    with pytest.raises(ClusterError, match=r"ended 1 workers one after another\. .*memory"):
        list(mapped(end_worker, range(3), client=client))
    client.wait_for_workers(2, PATIENCE)
    with pytest.raises(ClusterError, match=r"helped ended before its work was done\. .*memory"):
        list(mapped(end_worker, range(3), jobs=2))


@pytest.mark.parametrize("backend", ["loky", "threading", "multiprocessing", "dask"])
def test_joblibs_backend_can_be_chosen(backend: str, request: pytest.FixtureRequest) -> None:
    """Only joblib's own helpers watch for this process's end."""
    more = {}
    if backend == "dask":
        from joblib._dask import DaskDistributedBackend

        client = request.getfixturevalue("client")
        joblib.register_parallel_backend("dask", DaskDistributedBackend)
        more = {"client": client}
    with joblib.parallel_config(backend, **more):
        assert list(mapped(third, range(20), jobs=2)) == [i / 3.0 for i in range(20)]
        for tied, name in mapped(tie, range(4), jobs=2):
            assert bool(tied) == (backend == "loky") == name.startswith("LokyProcess")
    assert not ending._tied


# ---------------------------------------------------------------- who is asked
def test_what_is_no_cluster_is_told(client: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    with opened(None) as own:
        assert own is None
    with opened(client) as own:
        assert own is client
    assert client.status == "running"
    address = client.scheduler.address
    with opened(address) as own:
        assert list(mapped(third, range(3), client=own)) == [0.0, 1 / 3.0, 2 / 3.0]
    assert own.status == "closed" and client.status == "running"
    monkeypatch.setattr(mapping, "REACHED", 0.5)
    for given, told in (("tcp://127.0.0.1:9", "No Dask scheduler answered"), ("nowhere", "like"),
                        (3, "client is int")):  # fmt: skip
        with pytest.raises(ClusterError, match=told), opened(given):
            pass
    monkeypatch.setattr(mapping, "__version__", "9.9")
    with pytest.raises(ClusterError, match=r"must have trialkit 9\.9"), opened(address):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install 'trialkit\[cluster\]'"), opened("local"):
        pass


def test_a_cluster_of_this_machine_ends_with_its_work() -> None:
    with opened("local") as own:
        processes = list(own.run(os.getpid).values())
        assert len(processes) == joblib.cpu_count()
        assert list(mapped(third, range(3), client=own)) == [0.0, 1 / 3.0, 2 / 3.0]
    assert not any(map(ending.alive, processes))


def test_everything_else_does_without(folder: Path) -> None:
    """Neither dask nor pyarrow is there: all is imported, and trials are compared."""
    script = (
        "import sys\n"
        "for name in ('dask', 'distributed', 'pyarrow'):\n"
        "    sys.modules[name] = None\n"
        "import trialkit, trialkit.cli, trialkit.mapping, trialkit.plan, trialkit.pages\n"
        "from trialkit.__main__ import main\n"
        f"sys.argv = ['trialkit', 'compare', {str(folder)!r}]\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "5 trials" in done.stdout


# ---------------------------------------------------------------- the same numbers
def test_power_is_the_same_and_outlives_a_worker(client: Any) -> None:
    plans: dict[str, Any] = {"pairs": [3], "frames": [2, 4], "rounds": 20, "seed": 5}
    here = tk.plan.power(CUSHION_PAIRS.config, **plans)
    told = []
    there = tk.plan.power(CUSHION_PAIRS.config, client=client, **plans,
                          progress=lambda done, of: told.append((done, of)))  # fmt: skip
    with killed_at_work(client) as killed:
        again = tk.plan.power(CUSHION_PAIRS.config, client=client, **plans)
    assert killed
    for grid in (there, again):
        pd.testing.assert_frame_equal(grid.rounds, here.rounds, check_exact=True)
        pd.testing.assert_frame_equal(grid.table, here.table, check_exact=True)
    assert told == [(20, 40), (40, 40)]


def test_refits_are_the_same(client: Any) -> None:
    trial = tk.load_trial(frozen_dir("cushion_pairs"))
    fit = tk.analyse(trial, responses=["header_loss"])["header_loss"].fit
    here, there = (fit.bootstrap(12, seed=1, client=c) for c in (None, client))
    pd.testing.assert_frame_equal(here.draws, there.draws, check_exact=True)
    level = fit.model.chain.names[0]
    here, there = (fit.influence(level, client=c) for c in (None, client))
    pd.testing.assert_frame_equal(here.summary, there.summary, check_exact=True)


def test_trials_compare_the_same_from_anywhere(client: Any, folder: Path, tmp_path: Path) -> None:
    """From the folder and from stores, here and there, and with a worker killed while it reads."""
    here = tk.compare(folder)
    with killed_at_work(client) as killed:
        assert_same(tk.compare(folder, client=client), here)
    assert killed
    tk.gather(folder, tmp_path / "one")
    with killed_at_work(client) as killed:
        tk.gather(folder, tmp_path / "two", client=client)
    assert killed
    files = [sorted((p.parent.relative_to(store), p.read_bytes()) for p in store.rglob("*.parquet"))
             for store in (tmp_path / "one", tmp_path / "two")]  # fmt: skip
    assert files[0] == files[1]  # under names of their own
    assert_same(tk.compare(tmp_path / "two", client=client), here)


def test_two_gathers_at_once_lose_nothing_and_count_nothing_twice(
    client: Any, folder: Path, tmp_path: Path
) -> None:
    """By the two workers, of folders that share two trials, into a new store each time."""
    first, second = tmp_path / "first", tmp_path / "second"
    for i in range(5):
        for part, mine in ((first, i < 3), (second, i >= 3)):
            if mine:
                (part / f"trial_0{i}").mkdir(parents=True)
                for file in (folder / f"trial_0{i}").iterdir():
                    (part / f"trial_0{i}" / file.name).write_bytes(file.read_bytes())
    for k in range(3):
        store = tmp_path / f"store {k}"
        given = ([str(first), str(second / "trial_03")], [str(second), str(first / "trial_02")])
        at_once = [client.submit(tk.gather, own, str(store), pure=False) for own in given]
        done = client.gather(at_once)
        assert sum(len(found.added) for found in done) == 5
        trials = [trial for part in StoreSource(store).parts() for _, trial in part.trials()]
        assert len(trials) == len({trial.data_hash() for trial in trials}) == 5
        frames = pd.read_parquet(store / "frames")
        assert len(frames) == sum(len(trial.frames) for trial in trials)


def test_commands_take_an_address(client: Any, folder: Path, tmp_path: Path) -> None:
    address = client.scheduler.address
    planned = tmp_path / "plan.toml"

    def run(*words: object) -> tuple[int, str]:
        done = CliRunner().invoke(app, [str(w) for w in words], env={"COLUMNS": "200"})
        assert done.exit_code == 0, done.stderr
        return done.exit_code, done.stdout

    store = tmp_path / "store"
    assert "5 trials added" in run("gather", folder, store, "--cluster", address)[1]
    assert run("compare", store, "--cluster", address) == run("compare", folder)
    example = CliRunner().invoke(app, ["plan", "--example"]).stdout
    planned.write_text(example + "\n[power]\nrounds = 4\n")
    options = ("--pairs", "3", "--frames", "4", "--seed", "1")
    here = run("power", planned, *options, "--jobs", "1")
    assert run("power", planned, *options, "--cluster", address) == here
