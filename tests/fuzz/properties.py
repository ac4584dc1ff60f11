"""What holds for whatever trialkit is given to read. A broken property is an `AssertionError`; any
exception that is no `TrialkitError` goes through."""

from __future__ import annotations

import io
import re
import tempfile
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from inputs import Input
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.errors import TrialError, TrialkitError
from trialkit.intake import Intake, TrialConfig, read_trial, write_trial
from trialkit.intake.workbook_file import DAMAGE
from trialkit.plan.described import DescribedPlan, read_description
from trialkit.responses import schema
from trialkit.trial import Trial, load_trial

# What a terminal would obey: control characters but the line's end, and marks that turn text round.
OBEYED = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_LONGEST_MESSAGE = 20_000


def hold(given: Input) -> str:
    """Read an input and hold every property to it; "read", or "refused" as a whole."""
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        result = _held(given)
    told = [w for w in warned if not issubclass(w.category, DeprecationWarning | ResourceWarning)]
    assert not told, f"warned {told[0].message}: ({told[0].filename}, line {told[0].lineno})"
    return result


def _held(given: Input) -> str:
    with tempfile.TemporaryDirectory(prefix="fuzz-") as place:
        path = given.write(Path(place))
        if given.kind == "plan":
            return _plan(path, given.thorough)
        first, again = _tried(lambda: read_trial(path)), _tried(lambda: read_trial(path))
        if isinstance(first, str) or isinstance(again, str):
            assert first == again, "read twice, refused differently"
            if given.thorough:
                _command(path, refused=True)
            return "refused"
        _same_intake(first, again)
        _accounted(first)
        for name, frame in first.tables.items():
            _sound(frame, name, first)
        _told(first, given)
        if given.thorough:
            _used(path, Path(place) / "again")
        return "read"


def _tried(read: Callable[[], Intake]) -> Intake | str:
    try:
        return read()
    except TrialkitError as error:
        return _message(error)


def _message(error: TrialkitError) -> str:
    text = str(error)
    assert text.strip() and len(text) <= _LONGEST_MESSAGE, f"message of {len(text)} characters"
    return text


def _same_intake(first: Intake, again: Intake) -> None:
    assert first.digest == again.digest
    # A number may be missing in both; it is not NaN that would differ.
    assert repr(first.config) == repr(again.config)
    pd.testing.assert_frame_equal(first.read, again.read)
    pd.testing.assert_frame_equal(first.refused, again.refused)
    for name, frame in first.tables.items():
        pd.testing.assert_frame_equal(frame, again.tables[name])


def _accounted(intake: Intake) -> None:
    """Every row in is kept, refused or not filled in; every kept one stands in its table."""
    read = intake.read
    parts = read["rows_kept"] + read["rows_refused"] + read["rows_not_filled"]
    assert (read["rows_in"] == parts).all(), f"rows do not add up:\n{read.to_string()}"
    kept = read[read["table"] != ""].set_index("table")["rows_kept"]
    for name, frame in intake.tables.items():
        assert len(frame) == kept.get(name, 0), f"rows kept: {name}: {len(frame)}"
    lost = intake.refused[intake.refused["lost"] == "row"]
    lines = lost.drop_duplicates(["file", "line"]).groupby("file").size()
    for row in read.itertuples():
        assert lines.get(row.file, 0) == row.rows_refused, f"{row.file}: refused lines {lines}"


def _sound(frame: pd.DataFrame, name: str, intake: Intake) -> None:
    """Types, ranges, levels, seasons and keys of a table as its record has them."""
    layout = schema.table(name, intake.config.setups)
    assert list(frame.columns) == [c.name for c in layout.columns]
    assert frame.dtypes.equals(schema.empty(name, intake.config.setups).dtypes), name
    for column in layout.columns:
        values = frame[column.name]
        if column.required:
            assert values.notna().all(), f"missing but required: {name}.{column.name}"
        values = values.dropna()
        where = f"{name}.{column.name}: {list(values.unique())[:5]}"
        if column.kind in ("number", "count"):
            numbers = values.to_numpy(float)
            slack = 1e-9 * np.abs(numbers)
            assert np.isfinite(numbers).all(), f"a number that is not finite: {where}"
            within = (numbers >= column.low - slack) & (numbers <= column.high + slack)
            assert within.all(), f"a number out of its range: {where}"
            assert column.kind == "number" or (numbers % 1 == 0).all(), f"not whole: {where}"
        elif column.kind == "date":
            first, end = (pd.Timestamp(intake.config.season + k, m, 1) for k, m in ((0, 1), (1, 4)))
            assert ((values >= first) & (values < end)).all(), f"a date out of season: {where}"
        else:
            texts = values.map(lambda v: isinstance(v, str) and bool(v.strip()))
            assert texts.all(), f"no text: {where}"
            assert not column.levels or values.isin(column.levels).all(), f"no level: {where}"
    if layout.key:
        key = frame[list(layout.key)].map(lambda v: " ".join(str(v).split()).casefold())
        assert not key.duplicated().any(), f"two rows of one key: {name}"
    strips = intake.tables["strips"]["strip"]
    if name != "strips" and "strip" in frame:
        assert frame["strip"].isin(strips).all(), f"a strip that is none: {name}"


def _told(intake: Intake, given: Input) -> None:
    """Every refusal says where it is, at a line that is there, and what is expected."""
    refused = intake.refused
    columns = ["file", "line", "column", "value", "expected", "lost", "because"]
    assert list(refused.columns) == columns
    assert refused["file"].isin(intake.read["file"]).all()
    assert refused["expected"].map(lambda v: isinstance(v, str) and bool(v.strip())).all()
    assert refused["lost"].isin(["row", "cell"]).all()
    for file, own in refused.groupby("file"):
        lines = own["line"].to_numpy()
        last = _lines_of(str(file), given)
        there = (lines >= 1) & (lines <= last)
        assert there.all(), f"a line that is not there: {file}: {lines} of {last}"
        if given.kind != "workbook":
            _quoted(own, given.files[str(file)])


def _lines_of(file: str, given: Input) -> int:
    """No fewer than the file's lines, or the rows of a workbook's longest sheet."""
    if given.kind == "workbook":
        return _rows_of_workbook(given.files["trial.xlsx"])
    raw = given.files[file]
    return raw.count(b"\n") + raw.count(b"\r") + 1


def _rows_of_workbook(content: bytes) -> int:
    rows = 0
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in archive.namelist():
            try:
                xml = archive.read(name)
            except DAMAGE:  # a part that reading it does not need, else it had been refused
                continue
            if b"sheetData" in xml:
                named = [int(n) for n in re.findall(rb'r="[A-Za-z]*(\d+)"', xml)]
                rows = max(rows, max(named, default=0) + xml.count(b"<row"))
    return rows


def _quoted(refused: pd.DataFrame, raw: bytes) -> None:
    """The value a refusal shows stands at its line, where the file's text is plain."""
    if b"\0" in raw or raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for row in refused.itertuples():
        value = str(row.value).removesuffix("…")
        there = _plain("\n".join(lines[row.line - 1 : row.line + 100]))
        # A row that is none is told by the table's own columns first; heads not read are left out.
        cells = [value] if row.column else value.split(", ")
        found = all(_plain(cell) in there for cell in cells)
        assert found, f"not at its line: {row.line} does not hold {value!r}"


def _plain(text: str) -> str:
    """Without what parts cells: a refused header row is shown with commas and spaces."""
    return re.sub(r'[\s,;|"]', "", text)


def _command(path: Path, refused: bool) -> None:
    """`trialkit check` ends with its own exit codes and prints nothing a terminal would obey."""
    result = CliRunner().invoke(app, ["check", str(path), "--all"])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code in ((2,) if refused else (0, 1, 2)), result.exit_code
    assert (found := OBEYED.search(result.output)) is None, f"printed {found[0]!r}"


def _used(path: Path, elsewhere: Path) -> None:
    """What was read is told, summed up, printed, and the same when written and read again."""
    try:
        trial = load_trial(path)
    except TrialError as error:
        _message(error)
        _command(path, refused=True)
        return
    _command(path, refused=False)
    unlocks = trial.unlocks()
    assert unlocks["part"].is_unique and unlocks["reason"].map(bool).all()
    assert OBEYED.search(repr(trial).replace("\n", "")) is None or trial.config.title
    try:
        found = trial.losses()
    except TrialkitError as error:
        _message(error)
    else:
        for frame in (found.frames, found.strips, found.setups):
            numbers = frame.select_dtypes("number").to_numpy(float)
            assert not np.isinf(numbers).any(), "an infinite loss"
    _again(trial, elsewhere)


def _again(trial: Trial, folder: Path) -> None:
    write_trial(folder, trial.config, trial.tables)
    again = read_trial(folder)
    _same_settings(trial.config, again.config)
    assert again.refused.empty, f"written, then refused:\n{again.refused.to_string()}"
    for name, frame in trial.tables.items():
        pd.testing.assert_frame_equal(frame, again.tables[name], rtol=1e-9,
                                      obj="written and read again")


def _same_settings(one: TrialConfig, other: TrialConfig) -> None:
    """Settings say the same; numbers are written to twelve digits."""
    number = r"\d+\.\d+(?:e[-+]\d+)?"
    texts = [re.sub(number, "#", repr(config)) for config in (one, other)]
    assert texts[0] == texts[1], f"settings written:\n{one}\nread again:\n{other}"
    values = [[float(v) for v in re.findall(number, repr(config))] for config in (one, other)]
    np.testing.assert_allclose(*values, rtol=1e-9)


def _plan(path: Path, thorough: bool) -> str:
    try:
        described = read_description(path)
    except TrialkitError as error:
        assert _message(error) == _tried_plan(path), "read twice, refused differently"
        return "refused"
    assert repr(described) == repr(read_description(path))
    for ground in described.grounds:
        sizes = [v for v in (ground.length, ground.width, ground.row_spacing) if v is not None]
        assert np.isfinite(sizes).all(), ground
    assert not re.search(r"\b(nan|inf)\b", repr((described.effort, described.simulated)))
    if thorough:
        _drawn(described)
    return "read"


def _tried_plan(path: Path) -> str:
    try:
        return repr(read_description(path))
    except TrialkitError as error:
        return str(error)


def _drawn(described: DescribedPlan) -> None:
    """A plan that can be drawn has every strip once, on its field."""
    try:
        plan = described.plan()
    except TrialkitError as error:
        _message(error)
        return
    assert plan.strips["strip"].is_unique
    assert plan.strips["field"].isin([g.field for g in described.grounds]).all()
    numbers = plan.strips.select_dtypes("number").to_numpy(float)
    assert not np.isinf(numbers).any()
