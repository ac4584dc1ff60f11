"""A store of trials: the trials as they were, nothing lost or counted twice, whatever happens."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from frozen_trials import frozen_dir
from many_trials import assert_same, write_trials
from typer.testing import CliRunner

import trialkit as tk
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.cli import app
from trialkit.errors import ClusterError, TrialError
from trialkit.intake.config import ModelConfig, Prior
from trialkit.many import gather_reading, gathering, trial_rows
from trialkit.many import store as stores
from trialkit.many.gathering import gather
from trialkit.many.kept import columns_of, settings_of, settings_text, trials_of
from trialkit.many.sources import FolderSource
from trialkit.many.store import read_state
from trialkit.many.store_source import StoreSource
from trialkit.trial import Trial, load_trial

pytest.importorskip("pyarrow")


@pytest.fixture(scope="module")
def six(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trials(tmp_path_factory.mktemp("trials") / "region", range(6))


@pytest.fixture
def folder(six: Path, tmp_path: Path) -> Path:
    """Three trials of a test's own."""
    for i in range(3):
        shutil.copytree(six / f"trial_0{i}", tmp_path / "region" / f"trial_0{i}")
    return tmp_path / "region"


def rows(store: Path, table: str = "frames") -> pd.DataFrame:
    """What another program reads."""
    return pd.read_parquet(store / table)


def held(source: Path) -> dict[str, Trial]:
    """Trials by name as the store hands them out; none twice."""
    found = [pair for part in StoreSource(source).parts() for pair in part.trials()]
    assert len({name for name, _ in found}) == len(found)
    return {name: trial for name, trial in found if isinstance(trial, Trial)}


def same_trial(one: Trial, other: Trial) -> None:
    assert one.config == other.config
    assert (one.source, one.data_hash()) == (other.source, other.data_hash())
    assert one.extra.keys() == other.extra.keys()
    for name in one.tables:
        pd.testing.assert_frame_equal(one.tables[name], other.tables[name], check_exact=True)
    for name in one.extra:
        pd.testing.assert_frame_equal(one.extra[name], other.extra[name])
    pd.testing.assert_frame_equal(one.refused, other.refused)
    pd.testing.assert_frame_equal(one.read, other.read)


def assert_as_in(store: Path, *folders: Path) -> None:
    """The store holds every readable trial of the folders as it is read there, and no other; and
    so does another program find its frames."""
    found = [pair for part in FolderSource(folders).parts() for pair in part.trials()]
    wanted = {name: trial for name, trial in found if isinstance(trial, Trial)}
    there = held(store)
    assert there.keys() == wanted.keys()
    for name, trial in there.items():
        same_trial(trial, wanted[name])


def assert_others_see(store: Path) -> None:
    """What another program reads are the rows of the trials that the store hands out."""
    frames = [trial.frames for trial in held(store).values()]
    assert len(rows(store)) == sum(map(len, frames))
    assert rows(store)["loose_kernels"].sum() == sum(t["loose_kernels"].sum() for t in frames)


def drop_frames(trial: Path, many: int = 2) -> None:
    lines = (trial / "frames.csv").read_text().splitlines()
    (trial / "frames.csv").write_text("\n".join(lines[:-many]) + "\n")


# ---------------------------------------------------------------- the same trial
@pytest.mark.parametrize("name", ["cushion_pairs", "split_strips", "gap_fields"])
def test_a_trial_is_made_again_as_it_was(name: str, tmp_path: Path) -> None:
    """Every table, type and word, with cells refused and columns that are nobody's."""
    folder = Path(shutil.copytree(frozen_dir(name), tmp_path / name))
    strips = (folder / "strips.csv").read_text().splitlines()
    more = [",wind,said", *(",5,by ann" if i % 2 else ",," for i in range(len(strips) - 1))]
    (folder / "strips.csv").write_text("\n".join(map("".join, zip(strips, more, strict=True))))
    frames = (folder / "frames.csv").read_text().splitlines()
    frames[3] = "nowhere" + frames[3]
    frames[5] = frames[5].rpartition(",")[0] + ",many"
    (folder / "frames.csv").write_text("\n".join(frames))
    trial = load_trial(folder)
    assert len(trial.refused) and list(trial.extra["strips"]) == ["wind", "said"]
    other = load_trial(frozen_dir("gap_fields"))
    pieces = [columns_of("a", other), columns_of("b", trial)]
    joined, _ = gather_reading.joined((piece, []) for piece in pieces)
    (first, one), (second, two) = trials_of(joined)
    assert (first, second) == ("a", "b")
    same_trial(one, other)
    same_trial(two, trial)


def test_settings_come_back_to_the_last_digit() -> None:
    config = load_trial(frozen_dir("cushion_pairs")).config
    model = ModelConfig(("speed", "gap"), "yield", Prior(0.1 + 0.2, 3.0), (("yield", 1 / 3),))
    for own in (config, Trial(config, {}).config.__class__(**{
        **{f: getattr(config, f) for f in config.__dataclass_fields__}, "model": model,
        "option": None, "price_per_t": 1e5 / 7,
    })):  # fmt: skip
        assert settings_of(settings_text(own)) == own


# ---------------------------------------------------------------- the same numbers
def test_compare_reads_a_store_as_its_folder(six: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    found = tk.gather(six, store)
    assert len(found.added) == 6 and not (found.changed or found.same or found.left_out)
    assert_same(tk.compare(store), tk.compare(six))
    everything = pd.concat(load_trial(path).frames for path in sorted(six.iterdir()))
    assert len(rows(store)) == len(everything)
    assert rows(store)["loose_kernels"].sum() == everything["loose_kernels"].sum()
    assert set(rows(store, "trials")["season"]) == {2024, 2025}
    assert len(rows(store, "trials")) == rows(store, "strips")["trial"].nunique() == 6
    files = {path: path.read_bytes() for path in store.rglob("*") if path.is_file()}
    again = tk.gather(six, store)
    assert (again.added, again.changed, again.same) == ((), (), 6)
    assert {path: path.read_bytes() for path in store.rglob("*") if path.is_file()} == files


def test_dask_reads_the_data_sets(six: Path, tmp_path: Path) -> None:
    dataframe = pytest.importorskip("dask.dataframe")
    gather(six, tmp_path / "store")
    lazy = dataframe.read_parquet(tmp_path / "store" / "frames")
    total = lazy.groupby("season", observed=True)["loose_kernels"].sum().compute()
    plain = rows(tmp_path / "store").groupby("season", observed=True)["loose_kernels"].sum()
    assert dict(total) == dict(plain)


def test_what_changes_supersedes_and_what_goes_stays_until_told(six: Path, tmp_path: Path) -> None:
    folder, store = Path(shutil.copytree(six, tmp_path / "region")), tmp_path / "store"
    gather(folder, store)
    before = len(rows(store))
    drop_frames(folder / "trial_02")
    shutil.move(folder / "trial_03", tmp_path / "away")
    with open(folder / "trial_04" / "trial.toml", "a") as settings:
        settings.write("\nnothing_of_ours = 1\n")
    shutil.copytree(tmp_path / "away", folder / "trial_06")
    found = gather(folder, store)
    assert (found.added, found.changed, found.same) == (("trial_06",), ("trial_02",), 3)
    assert found.gone == ("trial_03",) and "--forget" in str(found)
    assert [name for name, _ in found.unreadable] == ["trial_04"]
    assert "nothing_of_ours" in str(found)
    # trial_06 has as many frames as trial_04 had.
    assert len(rows(store)) == before - 2
    assert set(held(store)) == {f"trial_0{i}" for i in (0, 1, 2, 3, 5, 6)}
    again = gather(folder, store)
    assert again.same == 5 and again.unreadable == found.unreadable and again.gone == found.gone
    assert gather(folder, store, forget=True).gone == ("trial_03",)
    assert_as_in(store, folder)
    assert_others_see(store)
    ((name, reason),) = [pair for part in StoreSource(store).parts() for pair in part.trials()
                         if isinstance(pair[1], Exception)]  # fmt: skip
    assert name == "trial_04" and "nothing_of_ours" in str(reason)
    shutil.rmtree(folder)
    with pytest.raises(TrialError, match="no folder"):
        gather(folder, store)
    assert len(gather(folder, store, forget=True).gone) == 5
    with pytest.raises(TrialError, match="no trial"):
        tk.compare(store)


def test_files_that_cannot_be_opened_leave_the_version_of_before(
    folder: Path, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    (tmp_path / "notes.csv").write_text("a,b\n1,2\n")  # which no read of the trial opens
    (folder / "trial_01" / "notes.csv").symlink_to(tmp_path / "notes.csv")
    gather(folder, store)
    drop_frames(folder / "trial_01")
    assert gather(folder, store).changed == ("trial_01",)
    assert_as_in(store, folder)
    frames = folder / "trial_01" / "frames.csv"
    frames.rename(tmp_path / "frames.csv")
    frames.symlink_to(tmp_path / "frames.csv")  # a link out of the trial is refused
    found = gather(folder, store)
    assert [name for name, _ in found.older] == ["trial_01"] and "stays" in str(found)
    assert len(held(store)) == 3 and not found.unreadable


def test_a_change_is_taken_in_whatever_clocks_say_and_other_readers_change_nothing(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "store"
    with monkeypatch.context() as ahead:
        ahead.setattr(gather_reading.time, "time", lambda: 4e9)
        gather(folder, store)
    drop_frames(folder / "trial_01")
    assert gather(folder, store).changed == ("trial_01",)
    assert_as_in(store, folder)
    monkeypatch.setenv("TRIALKIT_LIMITS", "row_chars=5000000")
    found = gather(folder, store)
    assert (len(found.again), found.changed, found.same) == (3, (), 0)
    assert_others_see(store)


def test_folders_that_are_not_there_are_told(folder: Path, tmp_path: Path) -> None:
    """Moved, and a trial changed there: what was gathered before leaves when it is named."""
    store, moved = tmp_path / "store", tmp_path / "moved"
    gather(folder, store)
    folder.rename(moved)
    drop_frames(moved / "trial_02")
    found = gather(moved, store)
    assert len(found.added) == 3 and found.away == ((str(folder), 3),)
    assert f"{folder} (3 trials)" in str(found) and "--forget" in str(found)
    found = gather([moved, folder], store, forget=True)
    assert len(found.gone) == 3 and found.same == 3 and not found.away
    assert_as_in(store, moved)
    assert_others_see(store)


def test_small_parts_are_joined_and_large_ones_cut(
    six: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (gathering, gather_reading):
        monkeypatch.setattr(module, "PART", 2)
    store, one = tmp_path / "store", tmp_path / "one"
    for path in sorted(six.iterdir()):  # a trial a time, as days of a harvest go
        shutil.copytree(path, one / path.name)
        gather(one, store)
    assert len(read_state(store).parts) == 4  # three trials a season, two in a part
    assert len(list((store / "trials").rglob("*.parquet"))) == 4
    assert_as_in(store, one)
    assert_others_see(store)


def test_several_folders_keep_their_names_apart(six: Path, tmp_path: Path) -> None:
    north = Path(shutil.copytree(six, tmp_path / "a" / "trials"))
    south = tmp_path / "b" / "trials"
    south.mkdir(parents=True)
    (north / "trial_05").rename(south / "trial_06")
    store = tmp_path / "store"
    gather(north, store)
    gather([south, north / "trial_01"], store)
    names = set(held(store))
    assert len(names) == 6 and {"trials/trial_00", "trials (2)/trial_06"} <= names


# ---------------------------------------------------------------- what may go wrong
@pytest.fixture
def dying(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """Gathers belong to a process that has ended, and nothing is tidied up when they stop."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    own = gathering.own_folder

    def folder(base: Path, prefix: str) -> Path:
        path = own(base, prefix)
        owner = path.name.removeprefix(prefix).split("-", 1)[1]
        return path.with_name(f"{prefix}{gone.pid}-{owner}")

    with monkeypatch.context() as patch:
        patch.setattr(gathering, "own_folder", folder)
        patch.setattr(gathering, "settle", lambda store: None)
        patch.setattr(gathering, "remove", lambda path: None)
        yield patch


def test_files_of_the_store_that_are_lost_or_damaged_are_told_and_read_again(
    folder: Path, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    gather(folder, store)

    def frames() -> Path:
        (path,) = (store / "frames" / "season=2024").iterdir()
        return path

    for spoil in (Path.unlink, lambda path: path.write_bytes(b"")):
        spoil(frames())
        with pytest.raises(TrialError, match=r"frames.* is not there as it was written"):
            held(store)
        found = gather(folder, store)
        assert found.again == ("trial_00", "trial_02") and not found.changed and found.same == 1
        assert_as_in(store, folder)
        assert_others_see(store)
    whole = frames().read_bytes()
    for at in range(5, len(whole), 611):  # a bit in a page, in the words of the schema
        frames().write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        with pytest.raises(TrialError, match="is not there as it was written"):
            held(store)
    assert gather(folder, store).again == ("trial_00", "trial_02")
    assert_as_in(store, folder)
    frames().unlink()
    shutil.move(folder / "trial_00", tmp_path / "away")
    with pytest.raises(TrialError, match="--forget"):  # nothing else has trial_00
        gather(folder, store)
    found = gather(folder, store, forget=True)
    assert (found.gone, found.again) == (("trial_00",), ("trial_02",))
    assert_as_in(store, folder)
    assert_others_see(store)


def test_what_its_reader_does_not_see_ends_a_comparison(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a worker without the folder: another would have counted these trials."""
    other = Path(shutil.copytree(folder, tmp_path / "b" / "others"))
    gather(folder, tmp_path / "b" / "store")
    sources = FolderSource([folder, other]), StoreSource(tmp_path / "b" / "store")
    (tmp_path / "b").rename(tmp_path / "c")
    for source in sources:
        with pytest.raises(ClusterError, match="is not there for who reads it"):
            tk.compare(source)

    def full(path: Path) -> Trial:
        raise MemoryError

    monkeypatch.setattr("trialkit.many.sources.load_trial", full)
    monkeypatch.setattr(gather_reading, "__version__", "9.9")
    (part, *_) = FolderSource([folder]).parts()
    elsewhere = partial(trial_rows._of_parts, [part], SPECIFICATIONS["header_loss"], here=False)
    for run in (elsewhere, lambda: gather(folder, tmp_path / "c" / "store")):
        with pytest.raises(ClusterError, match="Memory ran out"):
            run()


def test_what_is_said_of_a_full_disk_is_so(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "store"

    def full(*_: object, **__: object) -> bool:
        monkeypatch.setattr(gathering, "settle", full)
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(gathering, "commit", full)
        with pytest.raises(TrialError, match="nothing was added to it"):
            gather(folder, store)
        assert not read_state(store).entries and not list(store.glob(".gathering-*"))
    monkeypatch.undo()
    plan = gathering._plan

    def planned(*given: object) -> object:
        monkeypatch.setattr(gathering, "settle", full)
        return plan(*given)

    monkeypatch.setattr(gathering, "_plan", planned)
    with pytest.raises(TrialError, match="holds all that was gathered"):
        gather(folder, store)
    assert_as_in(store, folder)
    monkeypatch.undo()
    assert gather(folder, store).same == 3
    assert_others_see(store)


def test_a_version_that_comes_back_while_another_gather_moves_files_stays(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes back between that one's look at the manifests and its moves."""
    store, frames = tmp_path / "store", folder / "trial_00" / "frames.csv"
    before = frames.read_text()
    gather(folder, store)
    drop_frames(folder / "trial_00")
    settle, read = gathering.settle, stores.read_state

    def late(of: Path) -> stores.State:
        state = read(of)
        monkeypatch.setattr(stores, "read_state", read)
        frames.write_text(before)
        assert gather(folder, store).changed == ("trial_00",)
        return state

    def last(of: Path) -> None:
        monkeypatch.setattr(gathering, "settle", settle)
        monkeypatch.setattr(stores, "read_state", late)
        settle(of)

    say = gathering.commit

    def said(*given: object, **told: object) -> bool:
        monkeypatch.setattr(gathering, "commit", say)
        monkeypatch.setattr(gathering, "settle", last)
        return say(*given, **told)

    monkeypatch.setattr(gathering, "commit", said)
    gather(folder, store)
    for path in (store / stores.AWAY).rglob("*.parquet"):
        os.utime(path, (0, 0))  # long ago
    assert gather(folder, store).same == 3
    assert_as_in(store, folder)
    assert_others_see(store)


class Killed(BaseException):
    """The process ends here."""


def test_a_gather_killed_before_it_is_said_is_nothing(
    six: Path, folder: Path, tmp_path: Path, dying: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "store"
    gather(folder, store)
    stores.settle(store)
    before = Path(shutil.copytree(folder, tmp_path / "before" / "region"))
    shutil.copytree(six / "trial_05", folder / "trial_05")
    drop_frames(folder / "trial_02")

    def killed(*_: object, **__: object) -> bool:
        raise Killed

    dying.setattr(gathering, "commit", killed)
    with pytest.raises(Killed):
        gather(folder, store)
    (left,) = store.glob(".gathering-*")
    assert list(left.rglob("*.parquet"))
    assert {n: t.data_hash() for n, t in held(store).items()} == {
        path.name: load_trial(path).data_hash() for path in before.iterdir()
    }
    assert_others_see(store)
    dying.undo()
    found = gather(folder, store)
    assert (len(found.added), len(found.changed)) == (1, 1) and not left.exists()
    assert_as_in(store, folder)
    assert_others_see(store)


@pytest.mark.parametrize("moves", [1, 9])
def test_a_gather_killed_after_it_was_said_is_whole(
    moves: int, folder: Path, tmp_path: Path, dying: pytest.MonkeyPatch
) -> None:
    """Killed after so many files were moved: read whole at once, and finished by the next."""
    store = tmp_path / "store"
    gather(folder, store)
    stores.settle(store)
    drop_frames(folder / "trial_02")
    drop_frames(folder / "trial_01")
    gather(folder, store)
    move, left = stores._move, moves

    def moved(path: Path, to: Path) -> None:
        nonlocal left
        if path.exists():
            if not left:
                raise Killed
            left -= 1
        move(path, to)

    dying.setattr(stores, "_move", moved)
    with pytest.raises(Killed):
        stores.settle(store)
    assert_as_in(store, folder)
    dying.undo()
    assert gather(folder, store).same == 3
    assert_as_in(store, folder)
    assert_others_see(store)
    assert not list(store.glob(".gathering-*"))


def test_a_gather_that_was_quicker_is_looked_at_again(
    six: Path, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same trial changed again, a trial both have, and one of their own each."""
    store, others = tmp_path / "store", tmp_path / "others"
    gather(folder, store)
    drop_frames(folder / "trial_02")
    shutil.copytree(six / "trial_05", folder / "trial_05")
    shutil.copytree(six / "trial_04", others / "trial_04")
    say, quicker = stores.commit, []

    def late(*given: object, **told: object) -> bool:
        if not quicker:
            monkeypatch.setattr(gathering, "commit", say)
            drop_frames(folder / "trial_02", 5)
            quicker.append(gather([folder, others], store))
        return say(*given, **told)

    monkeypatch.setattr(gathering, "commit", late)
    found = gather(folder, store)
    assert (len(quicker[0].added), len(quicker[0].changed)) == (2, 1)
    assert (found.added, found.changed, found.same) == ((), (), 4)
    assert_as_in(store, folder, others)
    assert_others_see(store)


def test_what_is_no_store_is_refused(
    six: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "notes.txt").write_text("of my own")
    with pytest.raises(TrialError, match="not empty"):
        gather(six, tmp_path)
    with pytest.raises(TrialError, match="no store"):
        StoreSource(tmp_path)
    store = tmp_path / "store"
    gather(six, store)
    with pytest.raises(TrialError, match="compared alone"):
        tk.compare([six, store])
    manifest = store / "manifests" / "000001.json"
    manifest.write_text(manifest.read_text()[:100])
    with pytest.raises(TrialError, match=r"000001\.json cannot be read"):
        tk.compare(store)
    monkeypatch.setattr(stores, "_WAITS", (0.0,))
    manifest.write_text("")
    with pytest.raises(TrialError, match=r"it is empty; .* delete it and gather again"):
        tk.compare(store)
    manifest.rename(manifest.with_name("000002.json"))
    with pytest.raises(TrialError, match=r"000001\.json cannot be read"):
        tk.compare(store)
    (store / "store.json").write_text('{"format": 3}')
    with pytest.raises(TrialError, match="format 3"):
        gather(six, store)


def test_the_command_gathers_and_compares(six: Path, tmp_path: Path) -> None:
    def run(*words: object) -> tuple[int, str, str]:
        done = CliRunner().invoke(app, [str(w) for w in words], env={"COLUMNS": "200"})
        return done.exit_code, done.stdout, done.stderr

    store = tmp_path / "store"
    code, out, _ = run("gather", six, store)
    assert code == 0 and "6 trials added" in out
    assert run("compare", store)[:2] == run("compare", six)[:2]
    code, _, said = run("gather", six, six)
    assert code == 2 and "not empty" in said
