"""The fast reader against the standard library's, and line numbers that stay true."""

from __future__ import annotations

import csv
import io
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.intake.delimited import read_delimited

HEADER = ["a", "b", "c", "d"]
# The lines of a cell may not look like a whole row: fewer separators than one has.
CELL = st.text(alphabet='xy ",;.5\n', max_size=5).filter(
    lambda cell: max(cell.count(","), cell.count(";")) < len(HEADER) - 1
)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.lists(CELL, min_size=4, max_size=4), max_size=12),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_well_formed_files_read_as_the_csv_module_reads_them(
    rows: list[list[str]], delimiter: str, line_end: str
) -> None:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=delimiter, lineterminator=line_end)
    writer.writerows([HEADER, *rows])
    text = stream.getvalue()
    table = read_delimited(text.encode(), "x.csv", HEADER)
    assert table.faults == []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    wanted = {}
    line = 1
    for record in reader:
        wanted[line] = [cell.replace("\r\n", "\n") for cell in record]
        line = reader.line_num + 1
    del wanted[1]
    found = {
        int(line): [column[k] for column in table.columns]
        for k, line in enumerate(table.lines)
        if any(column[k] for column in table.columns)
    }
    assert found == {line: cells for line, cells in wanted.items() if any(cells)}


LINES = st.lists(
    st.sampled_from(
        ["1,2,3,4", '1,"2",3,4', '1,"2,x",3,4', '1,"2', '3",4,5', '1,5" wide,3,4', '"', "", ",,,",
         "1,2,3,4,5", '1,"a"b,3,4', "1,2", '"a""b",2,3,4', '1,2,3,"x', 'y"', '1,2,3,"',
         'x","', '1,x""y,"z"'],
    ),
    max_size=14,
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(LINES)
def test_no_line_is_lost(lines: list[str]) -> None:
    """Every line is a row, part of a cell with line breaks, or empty."""
    table = read_delimited("\n".join(["a,b,c,d", *lines]).encode(), "x.csv", HEADER)
    faulty = {position for position, _, _ in table.faults}
    rows = {
        int(line): "\n".join(column[k] for column in table.columns)
        for k, line in enumerate(table.lines)
    }
    starts = [line for k, line in enumerate(rows) if rows[line] or k in faulty]
    for start, after in pairwise([*starts, len(lines) + 2]):
        breaks = rows[start].count("\n") - (len(HEADER) - 1)
        rest = lines[start - 1 : after - 2]
        assert all(not line.strip(',"') for line in rest[breaks:])
    first = starts[0] if starts else len(lines) + 2
    assert all(not line.strip(',"') for line in lines[: first - 2])


@settings(max_examples=200, deadline=None)
@given(st.lists(st.text('",,xy ', max_size=9).filter(lambda t: t.count('"') % 2 == 0), min_size=1))
def test_each_line_reads_as_strict_csv_or_is_a_fault(lines: list[str]) -> None:
    lines.append("end,,,")
    table = read_delimited("\n".join(["a,b,c,d", *lines]).encode(), "x.csv", HEADER)
    faulty = {position for position, _, _ in table.faults}
    for k, line in enumerate(lines):
        try:
            cells = next(csv.reader([line], strict=True, skipinitialspace=True), [])
        except csv.Error:
            assert k in faulty
            continue
        assert (k in faulty) == any(cell.strip() for cell in cells[4:])
        assert [column[k] for column in table.columns] == (cells + [""] * 4)[:4]


def test_stray_quotation_mark_swallows_no_rows() -> None:
    text = 'a,b,c,d\n1,2,3,"open\n4,5,6,7\n8,9,10,"closed"\n11,12,13,"14"\n15,16,17,"\n'
    table = read_delimited(text.encode(), "x.csv", HEADER)
    assert [(int(table.lines[k]), value) for k, value, _ in table.faults] == [
        (2, '1,2,3,"open'),
        (6, '15,16,17,"'),
    ]
    assert table.columns[0].tolist()[1:4] == ["4", "8", "11"]


def test_two_stray_quotation_marks_swallow_no_rows() -> None:
    """Read by the letter, the last cell of line 2 would hold lines 3 and 4."""
    text = 'a,b,c,d\n1,2,3,"open\n4,5,6,7\n8,9,10,"\n'
    table = read_delimited(text.encode(), "x.csv", HEADER)
    assert [int(table.lines[k]) for k, _, _ in table.faults] == [2, 4]
    assert table.columns[3].tolist()[1] == "7"
