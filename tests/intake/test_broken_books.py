"""Workbooks that are damaged, stale, enormous or something else: read with all rows, or refused in
one sentence. Their XML is edited as a program that writes it wrongly, or a cut-short copy, would.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from sound_trial import STRIPS
from test_workbooks import workbook
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.errors import TrialError
from trialkit.intake import read_trial, sheet_cells

STRIPS_PART = "xl/worksheets/sheet2.xml"
Edit = Callable[[bytes], bytes | None]


def edit(path: Path, part: str, change: Edit) -> Path:
    """A workbook with one part changed, or taken out where the change gives None."""
    packed = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            content = change(content) if name == part else content
            if content is not None:
                new.writestr(name, content)
    path.write_bytes(packed.getvalue())
    return path


def with_shared_strings(path: Path) -> Path:
    """The workbook as spreadsheet programs write it: texts in a part of their own."""
    texts: list[bytes] = []

    def shared(match: re.Match[bytes]) -> bytes:
        texts.append(match[2])
        return b'%s t="s"><v>%d</v></c>' % (match[1], len(texts) - 1)

    inline = re.compile(rb'(<c r="[A-Z]+\d+"[^>]*?) t="inlineStr"><is><t>(.*?)</t></is></c>')
    for k in (1, 2, 3):
        edit(path, f"xl/worksheets/sheet{k}.xml", lambda xml: inline.sub(shared, xml))
    main = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    table = b"".join(b"<si><t>%s</t></si>" % text for text in texts)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/sharedStrings.xml", b'<sst xmlns="%s">%s</sst>' % (main, table))
    kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    named = b'<Override PartName="/xl/sharedStrings.xml" ContentType="%s"/></Types>' % kind
    return edit(path, "[Content_Types].xml", lambda xml: xml.replace(b"</Types>", named))


def _replaced(old: bytes, new: bytes) -> Edit:
    def change(xml: bytes) -> bytes:
        assert old in xml
        return xml.replace(old, new)

    return change


def _stale(xml: bytes) -> bytes:
    return re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:G2"', xml)


def _shared(formula: bytes) -> Edit:
    """The yield of row 2 by a formula that the moisture of row 3 shares, both with their values."""
    def change(xml: bytes) -> bytes:
        own = b'<c r="F2"><f t="shared" si="0" ref="E2:F3">%s</f>' % formula
        xml = _replaced(b'<c r="E3" t="n">', b'<c r="E3"><f t="shared" si="0"/>')(xml)
        return _replaced(b'<c r="F2" t="n">', own)(xml)

    return change


ALL_READ: dict[str, tuple[str, Edit]] = {
    "a stale size": (STRIPS_PART, _stale),
    "no size": (STRIPS_PART, lambda xml: re.sub(rb"<dimension[^>]*>", b"", xml)),
    "margins that are none": (STRIPS_PART, _replaced(b'left="0.75"', b'left="x"')),
    "a format that is not there": (STRIPS_PART, _replaced(b'<c r="E2"', b'<c r="E2" s="99"')),
    "a format that is no number": (STRIPS_PART, _replaced(b'<c r="E2"', b'<c r="E2" s="x"')),
    # As spreadsheets keep =IF(Z9="","",Z9): a text without a letter.
    "a formula that shows nothing": (STRIPS_PART, _replaced(
        b'<c r="E2" t="n"><v>18.5</v>', b'<c r="E2" t="str"><f>IF(Z9="","",Z9)</f><v></v>')),
    "a shared formula that is none": (STRIPS_PART, _shared(b'IF(B2="x,1,2)')),
    "a shared formula out of the sheet": (STRIPS_PART, _shared(b"A2+1")),
    "cells without their places": (STRIPS_PART, lambda xml: re.sub(rb' r="[A-Z]*\d+"', b"", xml)),
}
REFUSED: dict[str, tuple[str, Edit, str]] = {
    "cut in a cell": (STRIPS_PART, lambda xml: xml[: xml.find(b'"C4"')], "damaged after row 3"),
    "cut at a row": (STRIPS_PART, lambda xml: xml[: xml.find(b'<row r="4"')], "after row 3"),
    "rows out of order": (STRIPS_PART, _replaced(b'<row r="4"', b'<row r="2"'), "row 2 stands aft"),
    "a cell twice": (STRIPS_PART, _replaced(b'r="E3"', b'r="F3"'), "cell of row 3 stands there tw"),
    "no sheet data": (STRIPS_PART, lambda xml: b"<worksheet/>", "no rows at all"),
    "no xml": (STRIPS_PART, lambda xml: b"\0\1\2", "damaged or missing"),
    "a sheet missing": (STRIPS_PART, lambda xml: None, "lists the sheet 'strips'"),
    "texts missing": ("xl/sharedStrings.xml", lambda xml: None, "damaged or missing"),
    "few texts": ("xl/sharedStrings.xml", _replaced(b"</si><si>", b""), "sheet trial is cut short"),
    "texts cut": ("xl/sharedStrings.xml", lambda xml: xml[:300], "damaged or missing"),
    "formats cut": ("xl/styles.xml", lambda xml: xml[:200], "damaged or missing"),
    "a font missing": ("xl/styles.xml", _replaced(b'fontId="0"', b'fontId="9"'), "damaged or miss"),
    "no types": ("[Content_Types].xml", lambda xml: None, "damaged or missing"),
    "wrong types": ("[Content_Types].xml", _replaced(b"sheet.main", b"other"), "damaged or"),
    "texts not named": ("[Content_Types].xml", _replaced(b"/xl/shared", b"/xl/other"), "damaged"),
    "another place": ("xl/_rels/workbook.xml.rels", _replaced(b"sheet2", b"sheet9"), "sheet 'stri"),
    "the strict kind": ("xl/workbook.xml", _replaced(
        b'"http://schemas.openxmlformats.org/spreadsheetml/2006/main"',
        b'"http://purl.oclc.org/ooxml/spreadsheetml/main"'), "Strict Open XML"),
    "a name twice": ("xl/workbook.xml", _replaced(b'"frames"', b'"Strips "'), "keep one sheet"),
    "entities": (STRIPS_PART, lambda xml: b'<!DOCTYPE a [<!ENTITY b "c">]>' + xml.replace(
        b"<sheetData>", b"<sheetData>&d;"), "damaged"),
}  # fmt: skip


@pytest.mark.parametrize("case", ALL_READ)
def test_no_row_is_lost(tmp_path: Path, case: str) -> None:
    intake = read_trial(edit(workbook(tmp_path / "t.xlsx"), *ALL_READ[case]))
    assert len(intake.tables["strips"]) == 4
    assert intake.refused.empty


@pytest.mark.parametrize("case", REFUSED)
def test_a_damaged_part_ends_in_one_sentence(tmp_path: Path, case: str) -> None:
    part, change, says = REFUSED[case]
    path = with_shared_strings(workbook(tmp_path / "t.xlsx"))
    assert len(read_trial(path).tables["strips"]) == 4
    with pytest.raises(TrialError, match=says) as caught:
        read_trial(edit(path, part, change))
    assert "\n" not in str(caught.value)


def test_a_number_that_is_none_costs_its_cell(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    refused = read_trial(edit(path, STRIPS_PART, _replaced(b"<v>210</v>", b"<v>2x0</v>"))).refused
    assert refused.loc[0, ["line", "column", "value"]].tolist() == [2, "yield", "2x0"]


def _ole(stream: str) -> bytes:
    return bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600) + stream.encode("utf-16-le") + bytes(90)


def _archive(*names: str, content: str = "x") -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in names:
            archive.writestr(name, content)
    return packed.getvalue()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (_ole("EncryptedPackage"), "has a password"),
        (_ole("Workbook"), "older workbook"),
        (_archive("mimetype", content="application/vnd.oasis.opendocument.spreadsheet"), "ods"),
        (_archive("Index/Document.iwa"), "Numbers document"),
        (_archive("xl/workbook.bin"), "binary workbook"),
        (_archive("word/document.xml"), "no workbook"),
        (STRIPS.encode(), "is text and no workbook"),
        (b"<html><table>", "HTML or XML"),
        (b"%PDF-1.7", "PDF"),
        (b"", "empty"),
        (b"\0\1\2\3", "beginning is damaged"),
    ],
)
def test_something_else_by_this_name(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(content)
    with pytest.raises(TrialError, match=says) as caught:
        read_trial(path)
    assert says == "has a password" or "password" not in str(caught.value)


def test_a_workbook_cut_short(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(TrialError, match="cut short or damaged"):
        read_trial(path)


def _bomb(path: Path, million_cells: int) -> Path:
    """A sheet of this many million cells, packed to a thousandth."""
    row = b'<row><c t="n"><v>1</v></c>' + b"<c><v>1</v></c>" * 9999 + b"</row>"
    with (
        zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("xl/worksheets/sheet9.xml", "w") as part,
    ):
        part.write(b"<worksheet><sheetData>")
        for _ in range(100 * million_cells):
            part.write(row)
    return path


def test_a_small_file_that_unpacks_to_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _bomb(workbook(tmp_path / "t.xlsx"), 2)
    assert path.stat().st_size < 1_000_000
    monkeypatch.setenv("TRIALKIT_LIMITS", "unpacked_bytes=20MB")
    with pytest.raises(TrialError, match=r"limited to 20 MB.*=unpacked_bytes=") as at:
        read_trial(path)
    assert "password" not in str(at.value)
    # The size stated in the archive's directory is a lie: no more than that is unpacked.
    content = bytearray(path.read_bytes())
    entry = content.rindex(b"xl/worksheets/sheet9.xml") - 46
    assert content[entry : entry + 4] == b"PK\1\2"
    content[entry + 24 : entry + 28] = struct.pack("<I", 1000)
    content = content.replace(b"sheet9.xml", b"sheet2.xml")
    path.write_bytes(content)
    with pytest.raises(TrialError, match="a part of the workbook is damaged"):
        read_trial(path)


def test_more_cells_than_the_memory_allows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = edit(workbook(tmp_path / "t.xlsx"), STRIPS_PART, lambda xml: xml.replace(
        b"</sheetData>", (b"<row>" + b"<c><v>1</v></c>" * 10_000 + b"</row>") * 12 +
        b"</sheetData>"))  # fmt: skip
    monkeypatch.setenv("TRIALKIT_LIMITS", "memory_bytes=10MB")
    with pytest.raises(TrialError, match="memory for reading one trial is limited to 10 MB"):
        read_trial(path)


def test_a_sheet_formatted_to_its_ends(tmp_path: Path) -> None:
    """Rows and columns that are formatted and blank are no data, however many."""
    path = workbook(tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(path)
    book["frames"]["XFD3"], book["frames"]["A1048576"] = "far", None
    book.save(path)
    letters = [openpyxl.utils.get_column_letter(k) for k in range(8, 16_385)]
    wide = "".join(f'<c r="{c}3" s="1"/>' for c in letters).encode()
    tall = "".join(f'<row r="{k}" ht="15"><c r="A{k}" s="1"/><c r="B{k}" s="1"></c></row>'
                   for k in range(6, 100_000)).encode()  # fmt: skip
    far = b'<row r="1048576"><c r="A1048576" s="1"/></row></sheetData>'
    edit(path, STRIPS_PART, lambda xml: re.sub(rb"(<c r=\"G3\".*?</c>)", rb"\1" + wide, xml)
         .replace(b"</sheetData>", tall + far))  # fmt: skip
    intake = read_trial(path)
    assert intake.refused.empty
    assert intake.read["rows_in"].tolist() == [4, 4]
    assert intake.extra["frames"].to_dict("list") == {"column 16384": ["", "far", "", ""]}


def test_formulas_read_by_their_last_value(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    formula = b'<c r="F2"><f>200+10</f><v>210</v></c>'
    edit(path, STRIPS_PART, lambda xml: re.sub(rb'<c r="F2"[^>]*>.*?</c>', formula, xml))
    intake = read_trial(path)
    assert intake.tables["strips"]["yield"].notna().all()
    assert "column yield holds formulas: what the spreadsheet last" in intake.read.loc[0, "notes"]


def test_one_file_is_refused_in_the_same_words_by_every_process(tmp_path: Path) -> None:
    """Of what openpyxl prints as a set nothing is told: its order is another in each process."""
    path = edit(workbook(tmp_path / "t.xlsx"), "xl/styles.xml",
                lambda xml: re.sub(rb'patternType="\w+"', b'patternType="x"', xml))  # fmt: skip
    with pytest.raises(TrialError, match=r"missing \(Value must be one of …\); open it"):
        read_trial(path)


def test_another_workbook_part_beside_a_damaged_one_left_over(tmp_path: Path) -> None:
    path = workbook(tmp_path / "t.xlsx")
    with zipfile.ZipFile(path, "a") as archive:
        for name in ("xl/workbook.xml", "xl/_rels/workbook.xml.rels"):
            archive.writestr(name.replace("workbook", "other"), archive.read(name))
    moved = _replaced(b"xl/workbook.xml", b"xl/other.xml")
    for part in ("[Content_Types].xml", "_rels/.rels"):
        edit(path, part, moved)
    assert len(read_trial(path).tables["strips"]) == 4
    with pytest.raises(TrialError, match=r"damaged or missing .*unclosed token"):
        read_trial(edit(path, "xl/workbook.xml", lambda xml: b"<oops"))


@pytest.mark.parametrize("short_of", [MemoryError, RecursionError])
def test_what_the_machine_lacks_is_no_damage_of_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, short_of: type[Exception]
) -> None:
    path = workbook(tmp_path / "t.xlsx")

    def fails(*given: object, **named: object) -> None:
        raise short_of

    for module, name in ((openpyxl, "load_workbook"), (sheet_cells._Reader, "_take_row"),
                         (zipfile, "ZipFile")):  # fmt: skip
        with monkeypatch.context() as patch:
            patch.setattr(module, name, fails)
            with pytest.raises(short_of):
                read_trial(path)
            ended = CliRunner().invoke(app, ["check", str(path)])
            told = "ran out of memory" in " ".join(ended.stderr.split())
            assert told == (ended.exit_code == 2) == (short_of is MemoryError)
