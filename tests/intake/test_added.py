"""What phones counted: taken into a trial once, whatever is exported, how often, in which order."""

from __future__ import annotations

import csv
import hashlib
import io
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from frozen_trials import frozen_dir
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_trial import FRAMES, SETTINGS, STRIPS, Make
from typer.testing import CliRunner

import trialkit as tk
from trialkit.cli import app
from trialkit.errors import FileExistsRefusal, TrialError
from trialkit.intake import causes, read_trial
from trialkit.intake.added import HEAD, fingerprint, read_export, standing
from trialkit.pages.corrections import corrections
from trialkit.pages.letters import Letters
from trialkit.pages.quality import causes_told

# printf 'S1\nS2\nS3\nS4' | sha256sum | cut -c1-12 (GNU coreutils 9.1)
OWN = "282c8a226ad4"
LAID_OUT = "frame,strip,zone,area,loose_kernels,note\n" + "".join(
    f"{frame},{strip},header,10,,\n" for strip in ("S1", "S2", "S3", "S4") for frame in (1, 2)
)
FRAME_COLUMNS = ("strip", "zone", "frame", "area (ft2)", "loose_kernels")


def export(phone: str, entries: Sequence[Mapping[str, Any]], trial: str = OWN) -> bytes:
    """A phone's export; an entry is its cells, and its number where it is not the next."""
    columns = dict.fromkeys(c for e in entries for c in e if c not in HEAD)
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, [*HEAD, *columns], restval="")
    writer.writeheader()
    for k, entry in enumerate(entries, 1):
        own = {"trial": trial, "phone": phone, "entry": k, "revision": 1, "table": "frames",
               "entered": f"2026-10-03T10:{k % 60:02}:00-05:00"}  # fmt: skip
        writer.writerow({**own, **entry})
    return stream.getvalue().encode()


def frame(strip: str, number: object, kernels: object, **more: Any) -> dict[str, Any]:
    return dict(zip(FRAME_COLUMNS, (strip, "header", number, 10, kernels), strict=True)) | more


def written(folder: Path, **files: bytes) -> list[Path]:
    paths = []
    for name, raw in files.items():
        paths.append(folder / f"{name}.csv")
        paths[-1].write_bytes(raw)
    return paths


def accounted(read: pd.DataFrame) -> None:
    """Every row in is kept, refused or not filled in."""
    parts = read["rows_kept"] + read["rows_refused"] + read["rows_not_filled"]
    assert (read["rows_in"] == parts).all(), read.to_string()


@pytest.fixture
def outside(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that is no trial's."""
    return tmp_path_factory.mktemp("phones")


def test_fingerprint() -> None:
    assert fingerprint(["S3", "S1", "S4", "S2"]) == OWN
    names = ["Größe", "a", "B"]
    expected = hashlib.sha256("B\nGröße\na".encode()).hexdigest()[:12]
    assert fingerprint(names) == expected


# ---------------------------------------------------------------- any order, any number of times
@st.composite
def histories(draw: st.DrawFn) -> list[tuple[str, list[dict[str, Any]]]]:
    """Exports of up to three phones over time, each whole or cut to some of its entries: every
    frame is one phone's, some are corrected or undone later."""
    out = []
    for phone in ("AB3D", "K7QF", "ZZ99")[: draw(st.integers(1, 3))]:
        state: list[dict[str, Any]] = []
        for _ in range(draw(st.integers(1, 4))):
            what = draw(st.sampled_from(["count", "correct", "undo", "count"]))
            if what == "count" or not state:
                n, strip = len(state) + 1, draw(st.sampled_from(["S1", "S2", "S3", "S4", "S9"]))
                state.append({"entry": n, "revision": 1, "void": "",
                              **frame(strip, f"{phone}{n}", draw(st.integers(0, 99)))})
            else:
                entry = draw(st.sampled_from(state))
                state[state.index(entry)] = {
                    **entry, "revision": entry["revision"] + 1,
                    "void": "yes" if what == "undo" else "",
                    "loose_kernels": draw(st.integers(0, 99)),
                }  # fmt: skip
            keep = draw(st.lists(st.booleans(), min_size=len(state), max_size=len(state)))
            some = [dict(e) for e, k in zip(state, keep, strict=True) if k]
            out.append((phone, some or [dict(e) for e in state]))
        out.append((phone, [dict(e) for e in state]))
    return out


@settings(max_examples=25, deadline=None)
@given(history=histories(), data=st.data())
def test_what_stands_hangs_on_no_order(history: list[Any], data: st.DataObject) -> None:
    """Of every entry its last state, from exports in any order, repeated and partial."""
    mixed = data.draw(st.permutations([*history, *history[:2]]))
    last = {phone: entries for phone, entries in history}
    parts = standing(read_export(export(*e), f"{k}.csv") for k, e in enumerate(mixed)).parts
    rows: list[tuple[int, str, str, str]] = []
    for part in parts.get("frames", []):
        heads = part.source.header
        strips, kernels = (part.source.columns[heads.index(h)]
                           for h in ("strip", "loose_kernels"))  # fmt: skip
        rows += zip(part.order, part.entries, strips, kernels, strict=True)
    assert [row[1:] for row in sorted(rows)] == [
        (f"{phone}-{e['entry']}", e["strip"], str(e["loose_kernels"]))
        for phone in sorted(last) for e in last[phone] if not e["void"]
    ]  # fmt: skip
    assert sorted(row[0] for row in rows) == list(range(len(rows)))


@settings(max_examples=4, deadline=None)
@given(st.data())
def test_any_interleaving_gives_the_same_tables(data: st.DataObject) -> None:
    """Repeated, partial and late exports give what the last state of every phone says."""
    history = data.draw(histories(), label="history")
    mixed = data.draw(st.permutations([*history, history[0]]), label="order")
    last = {phone: entries for phone, entries in history}
    with tempfile.TemporaryDirectory() as folder:
        trials = [Path(folder) / name for name in ("mixed", "once")]
        for trial in trials:
            trial.mkdir()
            for name, text in (("trial.toml", SETTINGS), ("strips.csv", STRIPS)):
                (trial / name).write_text(text)
            (trial / "frames.csv").write_text(FRAMES)
        exports = {f"e{k}": export(phone, e) for k, (phone, e) in enumerate(mixed)}
        half = data.draw(st.integers(0, len(exports)), label="half")
        files = written(Path(folder), **exports)
        tk.add(trials[0], files[:half])
        found = tk.add(trials[0], files[half:])
        again = tk.add(trials[0], files)
        own = {phone: export(phone, entries) for phone, entries in last.items()}
        once = tk.add(trials[1], written(Path(folder), **own)).intake
        got = again.intake
        names = {p.name for p in (trials[0] / "added").iterdir()}
    assert not any(file.kept_as or file.why for file in again.files)
    assert names == {f"{p}-{n:03}.csv" for p in last for n in range(1, 1 + sum(
        name.startswith(p) for name in names))}  # fmt: skip
    pd.testing.assert_frame_equal(got.tables["frames"], once.tables["frames"])
    pd.testing.assert_frame_equal(got.tables["frames"], found.intake.tables["frames"])
    stands = [e for entries in last.values() for e in entries if not e["void"]]
    meant = {(e["strip"], e["frame"]): e["loose_kernels"] for e in stands if e["strip"] != "S9"}
    added = got.tables["frames"].iloc[4:]
    assert dict(zip(zip(added["strip"], added["frame"], strict=True), added["loose_kernels"],
                    strict=True)) == meant  # fmt: skip
    for intake in (got, once):
        accounted(intake.read)
        assert int(intake.read["rows_in"].sum()) == 8 + len(stands)
        assert len(intake.refused) == len(stands) - len(meant)


# ---------------------------------------------------------------- as if it had been typed
def test_a_trial_counted_on_two_phones_is_the_trial_as_typed(tmp_path: Path, outside: Path) -> None:
    """Frames, searches for ears, header check and the strips' readings, to the last digit."""
    source, trial = frozen_dir(), tmp_path / "trial"
    shutil.copytree(source, trial)
    typed = tk.load_trial(source)
    names = fingerprint(typed.strips["strip"])
    laid = {"frames": ("frame", "strip", "zone", "area (ft2)"),
            "ears": ("strip", "zone", "area (ft2)"), "header_check": ("header", "row")}  # fmt: skip
    entries: tuple[list[dict[str, Any]], list[dict[str, Any]]] = ([], [])
    for table, keep in laid.items():
        rows = list(csv.DictReader(io.StringIO((source / f"{table}.csv").read_text())))
        for k, row in enumerate(rows):
            # The area is laid out and not asked for on the phone.
            own = {c: v for c, v in row.items() if c != "area (ft2)"}
            # A strip and zone is one phone's, so that searches keep their order.
            at = hash_of(row.get("strip", str(k)) + row.get("zone", "")) % 2
            entries[at].append({"table": table, **own})
        text = io.StringIO(newline="")
        writer = csv.DictWriter(text, list(rows[0]), restval="")
        writer.writeheader()
        writer.writerows({c: v for c, v in row.items() if c in keep} for row in rows)
        (trial / f"{table}.csv").write_text(text.getvalue())
    strips = list(csv.DictReader(io.StringIO((source / "strips.csv").read_text())))
    for k, row in enumerate(strips):
        entries[k % 2].append({"table": "strips", "strip": row["strip"],
                               "moisture (%)": row["moisture (%)"]})  # fmt: skip
        row["moisture (%)"] = ""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(strips[0]))
    writer.writeheader()
    writer.writerows(strips)
    (trial / "strips.csv").write_text(text.getvalue())
    before = {p.name: p.read_bytes() for p in trial.iterdir()}
    waiting = tk.load_trial(trial)
    files = written(outside, one=export("K7QF", entries[0], names),
                    two=export("AB3D", entries[1], names))  # fmt: skip
    found = tk.add(trial, files)
    got = tk.load_trial(trial)
    for name, table in typed.tables.items():
        pd.testing.assert_frame_equal(got.tables[name], table, check_exact=True)
    pd.testing.assert_frame_equal(got.losses().strips, typed.losses().strips, check_exact=True)
    assert waiting.to_fill and not got.to_fill
    assert got.refused.empty and found.conflicts == ()
    assert found.taken["frames"].sum() == len(typed.frames)
    accounted(got.read)
    assert {p.name: p.read_bytes() for p in trial.iterdir() if p.is_file()} == before
    stored = {p.read_bytes() for p in (trial / "added").iterdir()}
    assert stored == {f.read_bytes() for f in files}
    assert len({t.data_hash() for t in (typed, waiting, got)}) == 3


def hash_of(text: str) -> int:
    return int(hashlib.sha256(text.encode()).hexdigest(), 16)


# ---------------------------------------------------------------- conflicts
def test_a_frame_counted_twice(trial_folder: Make, outside: Path) -> None:
    """Typed and on a phone, and on two phones: identical ones count once, others are told with
    both places and values and count neither, until one is dropped or both are told apart."""
    trial = trial_folder()  # frame 1 of S1 has 24, of S2 has 11
    one = [frame("S1", 1, 24), frame("S2", 1, 12), frame("S3", 2, 5, entry=4),
           frame("S4", 2, 6, entry=3)]  # as a phone may list what was corrected
    two = [frame("S3", 2, 5), frame("S4", 2, 8)]
    files = written(outside, one=export("K7QF", one), two=export("AB3D", two))
    found = tk.add(trial, files)
    frames = found.intake.tables["frames"]
    assert sorted(zip(frames["strip"], frames["frame"], strict=True)) == [
        ("S1", "1"), ("S3", "1"), ("S3", "2"), ("S4", "1")]  # fmt: skip
    accounted(found.intake.read)
    first, second = found.conflicts
    if "line 3 of frames.csv" not in first:
        first, second = second, first
    assert "line 3 of frames.csv has 11" in first
    assert "line 3 of added/K7QF-001.csv (entry K7QF-2) has 12" in first
    assert "--drop K7QF-2 or delete the typed row" in first
    assert "(entry K7QF-3) has 6" in second and "(entry AB3D-2) has 8" in second
    assert "--drop" in second and "delete the typed row" not in second
    # Equal ones are no fault: one row stands, the other is kept within it, and a note names both.
    (told,) = (n for n in found.intake.read["notes"] if "equal values" in n)
    assert "strip S1, zone header, frame 1 (line 2 of frames.csv and K7QF-1)" in told
    assert "strip S3, zone header, frame 2 (AB3D-1 and K7QF-4)" in told
    assert len(found.intake.refused) == 4 and found.intake.read["rows_kept"].sum() == 4 + 6
    # One cause of both rows of a conflict; and both have an address in the list of corrections.
    grouped = causes.group(found.intake.refused)
    told = [c for c in grouped.causes if any(c.expected in text for text in found.conflicts)]
    assert first.startswith("strip S2, zone header, frame 1: one row ")
    assert sorted(len(c.places) for c in told) == [2, 2] and all(c.rows == 2 for c in told)
    listed = corrections(found.intake.refused, found.intake.addresses)
    row = listed[(listed["file or sheet"] == "added/K7QF-001.csv") & (listed["row"] == 3)].iloc[0]
    with open(trial / "added" / "K7QF-001.csv", newline="") as stream:
        header = next(csv.reader(stream))
    assert row["cell"] == f"{chr(ord('A') + header.index('loose_kernels'))}3"
    # Settled: one dropped, the other two are different frames.
    done = tk.add(trial, drop=["k7qf-2"], apart=["AB3D"])
    dropped = next(text for text in done.settled if "K7QF-2 dropped: strip" in text)
    assert "loose_kernels" in dropped
    assert sum("counted apart" in text for text in done.settled) == len(done.settled) - 1 > 0
    told = "; ".join(done.intake.read["notes"])
    assert "1 entry dropped here" in told and "undone on the phone" not in told
    frames = done.intake.tables["frames"].set_index(["strip", "frame"])["loose_kernels"]
    assert done.conflicts == ()
    assert frames.to_dict() == {("S1", "1"): 24, ("S2", "1"): 11, ("S3", "1"): 9, ("S4", "1"): 20,
                                ("S3", "2"): 5, ("S4", "2"): 6, ("S4", "2 AB3D"): 8}  # fmt: skip
    # The phones' exports, added again, do not undo it.
    assert [file.kept_as for file in tk.add(trial, files).files] == ["", ""]
    assert tk.add(trial, files).conflicts == ()
    with pytest.raises(TrialError, match="holds no entry K7QF-77"):
        tk.add(trial, drop=["K7QF-77"])
    with pytest.raises(TrialError, match="no frame or sample of phone K7QF is in conflict"):
        tk.add(trial, apart=["K7QF"])


def test_ears_of_a_place_counted_twice(trial_folder: Make, outside: Path) -> None:
    """Where one search is laid out, two phones' are one search: equal ones count once, others are
    a conflict that names place and entries; where two are laid out both count."""
    laid = "strip,zone,area,ears\n" + "".join(
        f"{strip},header,400,\n" for strip in ("S1", "S2", "S3", "S3", "S4", "S4"))  # fmt: skip

    def ears(**of: int) -> list[dict[str, Any]]:
        return [{"table": "ears", "strip": s, "zone": "header", "ears": n} for s, n in of.items()]

    trial = trial_folder(ears=laid)
    files = written(outside, one=export("K7QF", ears(S1=2, S2=1, S3=4, S4=1)),
                    two=export("AB3D", ears(S1=2, S2=3, S3=5, S4=2)),
                    three=export("MM22", ears(S4=3)))  # fmt: skip
    found = tk.add(trial, files)
    table = found.intake.tables["ears"]
    assert sorted(zip(table["strip"], table["ears"], strict=True)) == [
        ("S1", 2), ("S3", 4), ("S3", 5), ("S4", 1), ("S4", 2), ("S4", 3)]  # fmt: skip
    assert table["area"].tolist() == pytest.approx([400 * 0.09290304] * 6)
    accounted(found.intake.read)
    (told,) = found.conflicts
    assert told.startswith("strip S2, zone header: one row for this strip and zone: in ears ")
    assert "(entry K7QF-2) has 1" in told and "(entry AB3D-2) has 3" in told
    assert "--drop AB3D-2 or --drop K7QF-2" in told and "add a row" in told
    notes = "\n".join(found.intake.read["notes"])
    assert "strip S1, zone header (AB3D-1 and K7QF-1)" in notes
    assert "strip S4, zone header (AB3D-4, K7QF-4 and MM22-1)" in notes and "strip S3" not in notes
    # As the message says: with a second row laid out both count.
    (trial / "ears.csv").write_text(laid + "S2,header,400,\n")
    assert tk.add(trial, files).conflicts == ()
    (trial / "ears.csv").write_text(laid)
    done = tk.add(trial, drop=["AB3D-2"])
    assert done.conflicts == () and done.intake.refused.empty
    accounted(done.intake.read)
    # What a note says of several things is told in lines of their own.
    said = CliRunner().invoke(app, ["add", str(trial), *map(str, files)], env={"COLUMNS": "80"})
    assert said.exit_code == 0 and "\\x0a" not in said.stdout
    assert sum(line.startswith("ears.csv: ") for line in said.stdout.splitlines()) == 3


def test_cells_added_to_a_strip(trial_folder: Make, outside: Path) -> None:
    """A phone's note and status complete the strip as typed; a cell with two values is lost."""
    trial = trial_folder(strips=STRIPS.replace("S3,North,2,cushion,18.9", "S3,North,2,cushion,"))
    entries = [{"table": "strips", "strip": strip, "moisture": moisture, "note": note}
               for strip, moisture, note in (("s3", 19.1, "wet"), ("S1", 20, ""), ("S4", 19, ""),
                                             ("S7", 19, ""))]  # fmt: skip
    files = written(outside, one=export("K7QF", entries),
                    two=export("AB3D", [{"table": "strips", "strip": "S3", "note": "wind"}]))
    found = tk.add(trial, files)
    strips = found.intake.tables["strips"].set_index("strip")
    assert list(strips.index) == ["S1", "S2", "S3", "S4"]
    assert strips["moisture"].fillna(0).tolist() == [0, 18.7, 19.1, 19.0]
    assert strips.loc["S3", "note"] == "wind; wet"
    accounted(found.intake.read)
    refused = found.intake.refused
    assert sorted(zip(refused["file"], refused["line"], refused["lost"], strict=True)) == [
        ("added/K7QF-001.csv", 3, "cell"), ("added/K7QF-001.csv", 5, "row"),
        ("strips.csv", 2, "cell")]  # fmt: skip
    (told,) = found.conflicts
    assert "line 2 of strips.csv has 18.5" in told and "(entry K7QF-2) has 20" in told


def test_a_header_measured_by_two(trial_folder: Make, outside: Path) -> None:
    """Two phones complete the rows of a header that are laid out; what differs is lost alone."""
    laid = "header,row,gap_front,gap_rear\nA,1,,\nA,2,,\n"
    trial = trial_folder(header_check=laid)
    front = [{"table": "header_check", "header": "A", "row": r, "gap_front (in)": g}
             for r, g in ((1, 1.25), (2, 1.2))]  # fmt: skip
    rear = [{"table": "header_check", "header": "A", "row": r, "gap_rear (in)": 1.375,
             "gap_front (in)": g} for r, g in ((1, 1.3), (2, ""))]  # fmt: skip
    found = tk.add(trial, written(outside, a=export("K7QF", front), b=export("AB3D", rear)))
    table = found.intake.tables["header_check"]
    assert table["gap_rear"].tolist() == pytest.approx([1.375 * 25.4] * 2)
    assert table["gap_front"].fillna(0).tolist() == pytest.approx([0, 1.2 * 25.4])
    accounted(found.intake.read)
    assert len(found.conflicts) == 1


# ---------------------------------------------------------------- files that are not sound
def test_what_is_refused(trial_folder: Make, outside: Path) -> None:
    """A file that is none, one of another trial, a row that is damaged or cut short."""
    trial = trial_folder(frames=LAID_OUT)
    whole = export("K7QF", [frame("S1", 1, 24), frame("S1", 2, 11), frame("S2", 1, 99)])
    lines = whole.decode().splitlines()
    bad = "\n".join([lines[0], lines[1], lines[2].replace(",1,,", ",one,,"), lines[3][:-1]])
    files = written(
        outside, other=export("AB3D", [frame("S1", 1, 3), frame("Q8", 1, 3)], "0" * 12),
        none=FRAMES.encode(), damaged=bad.encode(), binary=bytes(range(256)),
    )  # fmt: skip
    (outside / "gone.csv").unlink(missing_ok=True)
    found = tk.add(trial, [*files, outside / "gone.csv"])
    other, none, damaged, binary, gone = found.files
    assert "1 of the 2 strips it names is among this one's 4" in other.why
    assert "--strips-changed" in other.why
    assert "no export of a phone" in none.why and "no export" in binary.why and gone.why
    assert damaged.kept_as == "added/K7QF-001.csv" and damaged.new == 1
    assert found.refused[["line", "lost"]].to_numpy().tolist() == [[3, "row"], [4, "row"]]
    assert found.refused["value"].iloc[0] == "one"
    assert "cut short" in found.refused["expected"].iloc[1]
    assert found.intake.tables["frames"]["loose_kernels"].tolist() == [24]
    accounted(found.intake.read)
    # Half of the last count was cut off, not only the row's end: it is not taken as 9.
    assert lines[3].endswith(",99")
    # The whole export brings the others; nothing is there twice.
    later = tk.add(trial, written(outside, whole=whole))
    assert (later.files[0].new, len(later.intake.tables["frames"])) == (2, 3)
    known = tk.add(trial, files[:1], strips_changed=True)
    assert known.intake.refused["value"].tolist().count("Q8") == 1


def test_a_row_without_area_is_refused(trial_folder: Make, outside: Path) -> None:
    """The area comes from the laid-out row; where none is laid out it has to be in the export."""
    trial = trial_folder(frames=LAID_OUT)
    entries = [{k: v for k, v in frame("S1", n, 5).items() if k != "area (ft2)"} for n in (1, 7)]
    found = tk.add(trial, written(outside, one=export("K7QF", entries)))
    assert found.intake.tables["frames"]["area"].tolist() == pytest.approx([10 * 0.09290304])
    assert found.refused[["line", "column"]].to_numpy().tolist() == [[3, "area"]]
    accounted(found.intake.read)


# ---------------------------------------------------------------- with the rest of the program
def test_beside_a_workbook_and_among_trials(
    trial_folder: Make, tmp_path_factory: pytest.TempPathFactory, outside: Path
) -> None:
    """A workbook's are kept beside it; neither folder is taken for a trial of its own."""
    from trialkit.many import FolderSource

    root = tmp_path_factory.mktemp("many")
    made = shutil.copytree(trial_folder(), root / "one")
    book = root / "Two.xlsx"
    from test_workbooks import workbook

    workbook(book)
    files = written(outside, one=export("K7QF", [frame("S1", 2, 5)]))
    tk.add(made, files)
    own = [str(s) for s in read_trial(book).tables["strips"]["strip"]]
    row = frame(own[0], 77, 5)
    tk.add(book, written(outside, two=export("K7QF", [row], fingerprint(own))))
    assert (root / "Two added" / "K7QF-001.csv").is_file()
    assert "77" in set(read_trial(book).tables["frames"]["frame"])
    assert [part.path for part in FolderSource([root]).parts()] == sorted([made, book])
    # Written anew the trial holds the phones' rows as if typed.
    trial = tk.load_trial(made)
    from trialkit.intake import write_trial

    copy = write_trial(root / "copy", trial.config, trial.tables)
    pd.testing.assert_frame_equal(tk.load_trial(copy).frames, trial.frames)
    told = causes_told(tk.load_trial(book), Letters(tk.load_trial(book)))
    assert not any("Two" in cause.where for cause in told)


def test_a_workbook_of_another_name_tells_of_what_stayed_behind(
    tmp_path: Path, outside: Path
) -> None:
    """Renamed or saved as, it has none of the counts; of other trials' folders nothing is said."""
    from test_workbooks import workbook

    book = workbook(tmp_path / "Two.xlsx")
    files = written(outside, one=export("K7QF", [frame("S1", 77, 5)]))
    tk.add(book, files)
    other = tmp_path / "Other added"
    other.mkdir()
    written(other, one=export("AB3D", [frame("S1", 78, 5)], "0" * 12))
    final = book.rename(tmp_path / "Two final.xlsx")
    read = read_trial(final).read
    (note,) = read.loc[read["file"] == "Two added/", "notes"]
    assert "rename it to 'Two final added'" in note and not read["file"].str.match("Other").any()
    tk.add(final, files)
    read = read_trial(final).read
    assert "Two added/" not in set(read["file"]) and "added/K7QF-001.csv" in set(read["file"])
    # A later count that went to the old name is told of again.
    written(tmp_path / "Two added", late=export("K7QF", [frame("S2", 79, 5)]))
    assert "Two added/" in set(read_trial(final).read["file"])


def test_a_file_among_exports_that_is_none_by_its_name_is_told(trial_folder: Make) -> None:
    trial = trial_folder()
    (trial / "added").mkdir()
    (trial / "added" / "K7QF.csv.txt").write_bytes(export("K7QF", [frame("S1", 77, 5)]))
    last = read_trial(trial).read.iloc[-1]
    assert last["file"] == "added/K7QF.csv.txt" and "rename it if it is one" in last["notes"]


def test_command(trial_folder: Make, outside: Path) -> None:
    """What it prints and its exit codes; without a word it changes nothing."""
    trial = trial_folder(frames=LAID_OUT)
    (good,) = written(outside, good=export("K7QF", [frame("S1", 1, 24), frame("S2", 1, 9)]))
    (clash,) = written(outside, clash=export("AB3D", [frame("S1", 1, 25)]))

    def run(*arguments: object) -> tuple[int, str]:
        done = CliRunner().invoke(app, ["add", *map(str, arguments)], env={"COLUMNS": "200"})
        return done.exit_code, done.stdout

    code, said = run(trial, good, "--dry-run")
    assert code == 0 and "Nothing was written" in said and not (trial / "added").exists()
    code, said = run(trial, good)
    assert code == 0 and "2 new entries; kept as added/K7QF-001.csv" in said
    assert "6 of 8 rows in frames" in said
    assert run(trial, good)[1].startswith(f"{good}: nothing new")
    code, said = run(trial, clash)
    assert code == 1 and "1 conflict" in said and "has 24" in said and "has 25" in said
    assert run(trial, trial / "strips.csv")[0] == 2
    assert run(trial)[0] == 2
    assert run(trial, "--drop", "AB3D-1")[0] == 0
    assert len(list((trial / "added").iterdir())) == 3


def test_nothing_is_overwritten(trial_folder: Make, outside: Path) -> None:
    """A file that stands where the folder would be stays."""
    trial = trial_folder()
    (trial / "added").write_text("mine")
    with pytest.raises(FileExistsRefusal):
        tk.add(trial, written(outside, one=export("K7QF", [frame("S1", 2, 5)])))
    assert (trial / "added").read_text() == "mine"
