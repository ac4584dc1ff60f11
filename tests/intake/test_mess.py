"""Generated mess: rows in = kept + refused, each refusal on its own line, nothing raised."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sound_trial import SETTINGS, STRIPS

from trialkit.errors import TrialError
from trialkit.intake import Intake, read_trial
from trialkit.responses import schema

LONG_NOTE = "<script>alert(1)</script> & 'x' " * 8

# What may stand in a frame's cells: text in the file, and whether the row is sound with it. The
# delimiter is put in later; "comma" marks numbers that need the file's decimal mark.
STRIP = {"S1": True, " s2 ": True, "S3\u00a0": True, "S9": False, "": False, "=S1": False}
ZONE = {"header": True, "HEADER": True, " Total": True, "pre-harvest": True, "rear": False}
AREA = {"10": True, "9{d}75": True, "12{d}5 ": True, "": False, "-10": False, "ten": False,
        "=5+5": False, "1e9": False, "NaN": False}  # fmt: skip
COUNT = {"0": True, "24": True, "7.0": True, "1 024": True, "-3": False, "2{d}5": False, "": False,
         "NA": False, "=1+1": False, "1000000": False, "4\0": False}  # fmt: skip
NOTE = {"": True, '"wet, low; spot"': True, '"two\nlines"': True, "=1+1": True, '5" off': True,
        f'"{LONG_NOTE}"': True, '"open': False, '"a"b': False}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One record: its text, and whether it is sound, wrong, or neither: no row at all, or one
    that is not filled in yet."""

    text: str
    sound: bool | None
    waiting: bool = False


@st.composite
def lines(draw: st.DrawFn, number: int, columns: list[str], mark: str, d: str) -> Line:
    if draw(st.integers(0, 9)) == 0:
        return Line(draw(st.sampled_from(["", "   ", d * (len(columns) - 1), f" {d}\u00a0"])), None)
    cells = {"frame": (str(number), True)}
    for name, options in (
        ("strip", STRIP), ("zone", ZONE), ("area", AREA), ("loose_kernels", COUNT), ("note", NOTE),
    ):  # fmt: skip
        # Sound cells are drawn more often, so that rows of every kind occur.
        sound = draw(st.integers(0, 11)) > 0
        text = draw(st.sampled_from([t for t, good in options.items() if good == sound]))
        cells[name] = (text.replace("{d}", mark), options[text])
    if mark == "," and "7.0" in cells["loose_kernels"][0]:
        cells["loose_kernels"] = ("7", True)
    cells["weather"] = (draw(st.sampled_from(["", "dry"])), True)
    surplus = draw(st.integers(0, 19)) == 0
    texts = [cells[name][0] for name in columns] + (["9"] if surplus else [])
    sound = all(cells[name][1] for name in columns) and not surplus
    others = all(cells[name][1] for name in columns if name != "loose_kernels") and not surplus
    waiting = others and not cells["loose_kernels"][0]
    return Line(d.join(texts), None if waiting else sound, waiting)


@st.composite
def frames_files(draw: st.DrawFn) -> tuple[bytes, list[Line]]:
    d, mark = draw(st.sampled_from([(",", "."), (";", ","), ("\t", "."), (";", ".")]))
    columns = draw(st.permutations(["frame", "strip", "zone", "area", "loose_kernels", "note"]))
    if draw(st.booleans()):
        columns.insert(draw(st.integers(0, 6)), "weather")
    # The first row settles the decimal mark of the file.
    first = {"frame": "0", "strip": "S4", "zone": "header", "area": f"10{mark}25",
             "loose_kernels": "3", "note": "", "weather": ""}  # fmt: skip
    rows = [Line(d.join(first[name] for name in columns), True)]
    for number in range(1, draw(st.integers(0, 9)) + 1):
        rows.append(draw(lines(number, columns, mark, d)))
    header = d.join(
        draw(st.sampled_from([name, name.upper(), f" {name.title().replace('_', ' ')} "]))
        for name in columns
    )
    text = "\n".join([header, *(row.text for row in rows)]) + draw(
        st.sampled_from(["", "\n", "\n\n"])
    )
    text = text.replace("\n", draw(st.sampled_from(["\n", "\r\n"])))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))), rows


def read(settings_text: str, **files: bytes) -> Intake:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "trial.toml").write_text(settings_text)
        for name, content in files.items():
            (Path(folder) / f"{name}.csv").write_bytes(content)
        return read_trial(folder)


def check_balance(intake: Intake) -> None:
    """rows in = kept + refused + not filled in, in every file; a refused line is refused once, and
    a line of which cells are lost is none."""
    for row in intake.read[intake.read["table"] != ""].itertuples():
        assert row.rows_in == row.rows_kept + row.rows_refused + row.rows_not_filled
        assert row.rows_kept == len(intake.tables[row.table])
        faults = intake.refused[intake.refused["file"] == row.file]
        lines_refused = faults["line"]
        assert lines_refused[faults["lost"] == "row"].nunique() == row.rows_refused
        assert lines_refused.is_monotonic_increasing
    assert intake.refused[["column", "value", "expected"]].notna().all(axis=None)
    assert (intake.refused["expected"].str.len() > 0).all()
    assert intake.refused["lost"].isin(["row", "cell"]).all()
    for frame in intake.tables.values():
        assert np.isfinite(frame.select_dtypes("number").fillna(0)).all(axis=None)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(frames_files())
def test_every_row_is_kept_or_refused_on_its_line(file: tuple[bytes, list[Line]]) -> None:
    content, rows = file
    intake = read(SETTINGS, strips=STRIPS.encode(), frames=content)
    check_balance(intake)
    line, wrong, sound = 2, set(), 0
    for row in rows:
        if row.sound is False:
            wrong.add(line)
        sound += row.sound is True
        line += row.text.count("\n") + 1
    refused = intake.refused[intake.refused["file"] == "frames.csv"]
    assert set(refused["line"]) == wrong
    assert len(intake.tables["frames"]) == sound
    counts = intake.read.set_index("table").loc["frames"]
    assert counts["rows_not_filled"] == sum(row.waiting for row in rows)


GARBAGE = st.lists(
    st.one_of(
        st.sampled_from([*STRIPS.encode().split(b"\n"), b'"', b",,,,,,", b"S1,North", b"\xff\xfe",
                         b'S5,North,3,standard,"18,5",x,46298', b"S6,N,1,CUSHION,NA,-,3/4/2026"]),
        st.binary(max_size=30),
        st.text(alphabet='S1,"\n;=.-5 \u00a0é', max_size=40).map(str.encode),
    ),
    max_size=12,
)  # fmt: skip


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(GARBAGE, st.sampled_from([name for name in schema.TABLES if name != "strips"]), st.binary())
def test_no_bytes_break_the_balance(pieces: list[bytes], table: str, content: bytes) -> None:
    """Any bytes at all as strips and as another table: refused in words or balanced."""
    strips = STRIPS.encode().split(b"\n")[0] + b"\n" + b"\n".join(pieces)
    header = ",".join(c.name for c in schema.table(table).columns).encode()
    check_balance(read(SETTINGS, strips=strips, **{table: header + b"\n" + content}))
    check_balance(read(SETTINGS, strips=content, **{table: b"\n".join([header, *pieces])}))


@settings(max_examples=60, deadline=None)
@given(st.one_of(st.text(max_size=80), st.lists(st.sampled_from(SETTINGS.split("\n")), max_size=9)
                 .map("\n".join)))  # fmt: skip
def test_settings_are_read_or_refused_in_words(text: str) -> None:
    try:
        read(text.replace("\0", "").encode("utf-8", "replace").decode(), strips=STRIPS.encode())
    except TrialError as error:
        assert len(str(error)) > 30
