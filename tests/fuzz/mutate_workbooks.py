"""Spoilt workbooks: sheets laid out as people leave them, cells of all kinds, and damage to the XML
and to the archive it is packed in.

Workbooks are put together here, part by part, so that they may hold what no library would write;
some start from one of trialkit's own instead.
"""

from __future__ import annotations

import io
import re
import tomllib
import zipfile
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from mutate_tables import ODD, Grid, change_grid, chosen, grid_of, spoilt_bytes

Parts = dict[str, bytes]
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_DOC = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_NUMBER = re.compile(r"-?\d{1,15}(\.\d{1,15})?")
_DAY = re.compile(r"2025-(?:0[1-9]|1[0-2])-(?:0[1-9]|1\d|2[0-8])(?: [01]\d:[0-5]\d:[0-5]\d)?")
_STORED: dict[str, tuple[str, ...]] = {
    "b": ("0", "1"),
    "e": ("#N/A", "#DIV/0!", "#REF!", "#NAME?"),
    "str": ODD,
    "s": ODD,
    "d": ("2025-10-03", "2025-10-03T10:00:00", "2031-01-01", "1900-01-01"),
    "n": ("0", "1", "2", "-1", "0.5", "1e309", "-1e309", "1e-400", "45933", "45933.5", "-40000",
          "2958466", "1e12", "99999", "9" * 400, "1E3", ""),
}  # fmt: skip
"""What cells of each kind hold."""
_DAY_ZERO = np.datetime64("1899-12-30T00:00:00")
_STYLES = (
    f'{_HEAD}<styleSheet xmlns="{_MAIN}"><fonts count="1"><font/></fonts>'
    '<fills count="1"><fill><patternFill/></fill></fills><borders count="1"><border/></borders>'
    '<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="4"><xf numFmtId="0"/>'
    '<xf numFmtId="22" applyNumberFormat="1"/><xf numFmtId="10" applyNumberFormat="1"/>'
    '<xf numFmtId="46" applyNumberFormat="1"/></cellXfs></styleSheet>'
)


def _some(rng: np.random.Generator, values: Any) -> Any:
    return values[int(rng.integers(len(values)))]


def _letters(column: int) -> str:
    return ("" if column < 26 else _letters(column // 26 - 1)) + chr(ord("A") + column % 26)


def _xml_text(text: str) -> str:
    """Text as a spreadsheet stores it: what XML cannot hold is written as _xHHHH_."""
    coded = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]",
                   lambda m: f"_x{ord(m[0]):04X}_", text)  # fmt: skip
    return escape(coded)


def _told(text: str) -> str:
    return f'<t xml:space="preserve">{_xml_text(text)}</t>'


class _Book:
    """Collects sheets and their shared texts."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.texts: dict[str, int] = {}
        self.sheets: dict[str, str] = {}
        self.faithful = False

    def add(self, title: str, grid: Grid, faithful: bool) -> None:
        """A sheet of these cells; a faithful one has every cell in the usual form."""
        self.faithful = faithful
        rows = []
        for number, row in enumerate(grid, start=1):
            cells = "".join(self._cell(f"{_letters(k)}{number}", v) for k, v in enumerate(row) if v)
            hidden = ' hidden="1"' if self.rng.random() < 0.01 else ""
            if cells or self.rng.random() < 0.5:
                rows.append(f'<row r="{number}"{hidden}>{cells}</row>')
        width = max(map(len, grid), default=1)
        merged = ""
        if not faithful and self.rng.random() < 0.2:
            top, left = int(self.rng.integers(1, len(grid) + 2)), int(self.rng.integers(width + 1))
            across, down = (int(v) for v in self.rng.integers(1, 4, 2))
            ends = f"{_letters(left)}{top}:{_letters(left + across)}{top + down}"
            merged = f'<mergeCells count="1"><mergeCell ref="{ends}"/></mergeCells>'
        self.sheets[title] = (
            f'{_HEAD}<worksheet xmlns="{_MAIN}">'
            f'<dimension ref="A1:{_letters(max(0, width - 1))}{len(grid)}"/>'
            f"<sheetData>{''.join(rows)}</sheetData>{merged}</worksheet>"
        )

    def _cell(self, place: str, text: str) -> str:
        rng = self.rng
        if self.faithful and _NUMBER.fullmatch(text):
            return f'<c r="{place}"><v>{text}</v></c>'
        if not self.faithful and rng.random() < 0.02:
            return self._odd(place, text)
        if text.startswith("=") and rng.random() < 0.8:
            stored = _some(rng, ("", "<v>12</v>", "<v>#DIV/0!</v>"))
            return f'<c r="{place}"><f>{_xml_text(text[1:])}</f>{stored}</c>'
        if _NUMBER.fullmatch(text) and rng.random() < 0.9:
            return f'<c r="{place}"><v>{text}</v></c>'
        if _DAY.fullmatch(text) and rng.random() < 0.8:
            days = (np.datetime64(text) - _DAY_ZERO) / np.timedelta64(1, "D")
            return f'<c r="{place}" s="1"><v>{days:.8f}</v></c>'
        if rng.random() < 0.1:
            return f'<c r="{place}" t="inlineStr"><is>{_told(text)}</is></c>'
        return f'<c r="{place}" t="s"><v>{self.texts.setdefault(text, len(self.texts))}</v></c>'

    def _odd(self, place: str, text: str) -> str:
        """A cell of another kind or style than its text asks for; seldom one that cannot be."""
        rng = self.rng
        kind = _some(rng, tuple(_STORED))
        stored = _some(rng, _STORED[kind])
        style = _some(rng, (0, 0, 1, 2, 3))
        if kind == "s":
            stored = str(self.texts.setdefault(stored, len(self.texts)))
        if rng.random() < 0.08:
            kind, style = _some(rng, (*_STORED, "zz", "")), _some(rng, (4, 99, -1, 10**12, "x"))
        formula = _some(rng, ("", "", "", "<f>A1+1</f>", "<f/>", '<f t="shared" si="0"/>',
                              '<f t="array" ref="A1:B2">A1</f>'))  # fmt: skip
        value = _xml_text(stored)
        return f'<c r="{place}" s="{style}" t="{kind}">{formula}<v>{value}</v></c>'

    def parts(self) -> Parts:
        """The files of the archive."""
        types = [_override("workbook", "sheet.main"), _override("styles", "styles"),
                 _override("sharedStrings", "sharedStrings")]  # fmt: skip
        links = [_link("rId90", "styles", "styles.xml"),
                 _link("rId91", "sharedStrings", "sharedStrings.xml")]  # fmt: skip
        named, parts = [], {}
        for k, (title, sheet) in enumerate(self.sheets.items(), start=1):
            parts[f"xl/worksheets/sheet{k}.xml"] = sheet
            types.append(_override(f"worksheets/sheet{k}", "worksheet"))
            links.append(_link(f"rId{k}", "worksheet", f"worksheets/sheet{k}.xml"))
            named.append(f'<sheet name={quoteattr(title)} sheetId="{k}" r:id="rId{k}"/>')
        texts = "".join(f"<si>{_told(text)}</si>" for text in self.texts)
        parts = {
            "[Content_Types].xml": f'{_HEAD}<Types xmlns="{_PACKAGE}/content-types">'
            '<Default Extension="rels" ContentType='
            '"application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Default Extension="xml" ContentType="application/xml"/>{"".join(types)}</Types>',
            "_rels/.rels": _links(_link("rId1", "officeDocument", "xl/workbook.xml")),
            "xl/workbook.xml": f'{_HEAD}<workbook xmlns="{_MAIN}" xmlns:r="{_DOC}">'
            f"<sheets>{''.join(named)}</sheets></workbook>",
            "xl/_rels/workbook.xml.rels": _links(*links),
            "xl/styles.xml": _STYLES,
            "xl/sharedStrings.xml": f'{_HEAD}<sst xmlns="{_MAIN}">{texts}</sst>',
            **parts,
        }
        return {name: text.encode() for name, text in parts.items()}


def _override(part: str, kind: str) -> str:
    content = f"application/vnd.openxmlformats-officedocument.spreadsheetml.{kind}+xml"
    return f'<Override PartName="/xl/{part}.xml" ContentType="{content}"/>'


def _link(name: str, kind: str, target: str) -> str:
    return f'<Relationship Id="{name}" Type="{_DOC}/{kind}" Target="{target}"/>'


def _links(*links: str) -> str:
    every = "".join(links)
    return f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships">{every}</Relationships>'


def _settings_grid(raw: bytes) -> Grid:
    """trial.toml as the rows of the sheet "trial"."""
    rows: Grid = [["key", "about", "value"]]

    def put(key: str, value: Any) -> None:
        if isinstance(value, dict):
            for name, inner in value.items():
                put(f"{key}.{name}" if key else name, inner)
        elif key == "setup":
            for factor in value:
                put(f"setup.{factor['name']}", {k: v for k, v in factor.items() if k != "name"})
        else:
            told = value if isinstance(value, list) else [value]
            told = [{True: "yes", False: "no"}[v] if isinstance(v, bool) else str(v) for v in told]
            rows.append([key, "", *told])

    put("", tomllib.loads(raw.decode()))
    return rows


_REPLACED = (
    (rb'<dimension ref="[^"]*"/>',
     (b"", b'<dimension ref="A1:B2"/>', b'<dimension ref="A1"/>', b'<dimension ref=""/>',
                                    b'<dimension ref="A1:XFD1048576"/>',
                                    b'<dimension ref="ZZ99:A1"/>', b"<dimension/>",
                                    b'<dimension ref="A0:?9"/>')),
    (rb'<row r="\d+"',
     (b"<row", b'<row r="1"', b'<row r="0"', b'<row r="-3"', b'<row r="x"', b'<row r="3000"',
                        b'<row r="1048577"', b'<row r="99999999999"', b'<row r="1048576"',
                        b'<row r="2.5"')),
    (rb'<c r="[A-Z]+\d+"',
     (b"<c", b'<c r="A1"', b'<c r=""', b'<c r="XFD1"', b'<c r="XFE9"', b'<c r="1A"',
      b'<c r="AAAAAA1"',
                            b'<c r="B99999999"', b'<c r="C2" r="D2"', b'<c r="a2"')),
    (rb' s="\d+"', (b' s="99"', b' s="-1"', b' s="x"', b' s="1"', b' s="2"', b"")),
    (rb' t="s"', (b"", b' t="n"', b' t="b"', b' t="e"', b' t="d"', b' t="str"', b' t="x"')),
    (rb"<v>[^<]*</v>",
     (b"<v/>", b"", b"<v>99999</v>", b"<v>-1</v>", b"<v>inf</v>", b"<v>1e309</v>", b"<v>nan</v>",
      b"<v>x</v>",
                        b"<v>1.5</v>", b"<v>1</v><v>2</v>", b"<v>&#0;</v>",
                        b"<v>" + b"9" * 5000 + b"</v>")),
    (rb"<si>.*?</si>",
     (b"", b"<si/>", b"<si><t/></si>", b"<si><r><t>a</t></r><r><t>b</t></r></si>",
      b"<si><t>&amp;lt;</t></si>",
                        b"<si><t>_x000B__x001B_[1m</t></si>")),
    (rb'numFmtId="\d+"',
     (b'numFmtId="x"', b'numFmtId="-1"', b'numFmtId="999"', b'numFmtId=""', b"")),
    (rb"</sheetData>",
     (b"", b"</sheetData></sheetData>", b"</sheetdata>", b"</sheetData><sheetData/>")),
    (rb'name="[^"]*"',
     (b'name="strips"', b'name=""', b'name="STRIPS "', b'name="' + b"n" * 300 + b'"',
      b'name="trial"')),
    (rb'Target="[^"]*"',
     (b'Target="/etc/hostname"', b'Target="../../x.xml"', b'Target=""',
      b'Target="sharedStrings.xml"')),
    (rb'UTF-8', (b"UTF-16", b"latin-1", b"no-such", b"")),
    (rb'xmlns="[^"]*"',
     (b"", b'xmlns="x"', b'xmlns="http://purl.oclc.org/ooxml/spreadsheetml/main"')),
    (rb'r:id="[^"]*"', (b'r:id="rId1"', b'r:id="none"', b"")),
    (rb'<mergeCell ref="[^"]*"',
     (b'<mergeCell ref="A1"', b'<mergeCell ref=""', b'<mergeCell ref="B5:A1"',
                                  b'<mergeCell ref="A1:XFD1048576"', b"<mergeCell")),
    (rb"\?>\n",
     (b'?><!DOCTYPE a [<!ENTITY b "bbbbbbbb"><!ENTITY c "&b;&b;&b;&b;">]>', b"?><?x y?><!-- z -->",
      b"")),
)  # fmt: skip


def _spoil_part(rng: np.random.Generator, parts: Parts) -> None:
    """One kind of damage to the XML of one part."""
    sheets = [name for name in parts if "sheet" in name.rpartition("/")[2]]
    name = _some(rng, sheets if sheets and rng.random() < 0.6 else list(parts))
    raw = parts[name]
    what = rng.random()
    if what < 0.06:
        del parts[name]
    elif what < 0.10:
        parts[name] = raw[: int(rng.integers(len(raw) + 1))]
    elif what < 0.14:
        parts[name] = spoilt_bytes(rng, raw)
    elif what < 0.16:
        parts[name] = parts[_some(rng, list(parts))]
    else:
        for _ in range(40):
            pattern, instead = _some(rng, _REPLACED)
            name = _some(rng, sheets if sheets and rng.random() < 0.6 else list(parts))
            found = list(re.finditer(pattern, parts[name], re.DOTALL))
            if found:
                break
        else:
            return
        hits = found if rng.random() < 0.2 else [_some(rng, found)]
        new = _some(rng, instead)
        raw = parts[name]
        for hit in reversed(hits):
            raw = raw[: hit.start()] + new + raw[hit.end() :]
        parts[name] = raw


def _packed(rng: np.random.Generator, parts: Parts) -> bytes:
    stream = io.BytesIO()
    packing = zipfile.ZIP_STORED if rng.random() < 0.3 else zipfile.ZIP_DEFLATED
    with zipfile.ZipFile(stream, "w", packing) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name), content, packing)
    return stream.getvalue()


def workbook(rng: np.random.Generator, valid: Any) -> dict[str, bytes]:
    """One spoilt workbook."""
    if rng.random() < 0.04:
        with zipfile.ZipFile(io.BytesIO(_some(rng, valid.workbooks))) as archive:
            parts = {name: archive.read(name) for name in archive.namelist()}
    else:
        parts = _laid_out(rng, chosen(rng, _some(rng, valid.folders)))
    for _ in range(int(rng.geometric(0.6)) - 1):
        if parts:
            _spoil_part(rng, parts)
    content = _packed(rng, parts)
    return {"trial.xlsx": spoilt_bytes(rng, content) if rng.random() < 0.08 else content}


def _laid_out(rng: np.random.Generator, files: dict[str, bytes]) -> Parts:
    grids = {name.removesuffix(".csv"): grid_of(raw) for name,
             raw in files.items() if name.endswith(".csv")}
    grids = {"trial": _settings_grid(files["trial.toml"]), **grids}
    names = list(grids)
    faithful = rng.random() < 0.9  # the settings; without them nothing of a workbook is read
    for name in names[1:] if faithful else names:
        if rng.random() < 0.5:
            change_grid(rng, grids[name])
    if rng.random() < 0.1:  # a second table beside the first
        grid = grids[_some(rng, names[1:])]
        for row in grid[: int(rng.integers(len(grid) + 1))]:
            row += ["", *(_some(rng, ODD) for _ in range(2))]
    if rng.random() < 0.05:
        grids.pop(_some(rng, names[1:] if faithful else names))
    if rng.random() < 0.1:
        grids[_some(rng,
                    ("Sheet1", "notes", "strip", "Frames", "readme", "chart",
                     "trial.toml"))] = [["x", "1"]]
    book = _Book(rng)
    for name, grid in grids.items():
        title = _some(rng, (name, name, name, name.upper(), f"{name} "))
        book.add(title, grid, faithful and name == "trial")
    return book.parts()
