"""Characters that a terminal or a browser would obey reach neither, and end no export."""

from __future__ import annotations

import io
import os
import unicodedata
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook
from pypdf import PdfReader
from typer.testing import CliRunner

from trialkit.analysis import analyse
from trialkit.cli import app
from trialkit.cli.console import plain
from trialkit.display import UNSEEN, printable, visible
from trialkit.intake import filled_workbook, read_trial
from trialkit.pages import field_day
from trialkit.pages.elements import Formula, Link, Marked, Sentence
from trialkit.pages.export import workbook_bytes
from trialkit.pages.html import html, script_json
from trialkit.pages.paper import add
from trialkit.pages.printing import Sheet, compile_pdf
from trialkit.trial import load_trial

# Red ink and a bell; writing turned round; a line and a page that end; invisible; a C1 control.
BAD = "\x1b[31m\x07\u202e\u2067\x0b\x0c\u200b\ufffe\x9b"
TOML = "".join(f"\\u{ord(c):04x}" if UNSEEN.match(c) else c for c in BAD)

SETTINGS = f"""\
title = "Title {TOML} end"
notes = "Notes {TOML} end"
season = 2026
units = "US"
growers_agreed = true
[header]
rows = 8
width = 20
[[setup]]
name = "cushion"
label = "Label {TOML} end"
levels = ["plain{TOML}", "soft{TOML}"]
labels = ["hard {TOML} end", "soft {TOML} end"]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six pairs in two fields, every text of a user's spoilt that is read at all (labels of strips,
    fields and pairs with such characters are refused); refused rows and one odd file."""
    folder = tmp_path_factory.mktemp("spoilt")
    rng = np.random.default_rng(5)
    levels = ("plain", "soft")
    strips = [
        (f"S{k}", f"F{k // 6}", str(k // 2), levels[k % 2] + BAD) for k in range(12)
    ]
    frames = [
        (str(i), strips[i % 12][0], "header", "10", str(rng.poisson((24, 12)[i % 2])), f"x{BAD}")
        for i in range(48)
    ]
    frames.append(("48", "S0", f"side{BAD}", "10", "3", ""))
    strips.append((f"S12{BAD}", "F0", "9", f"other{BAD}"))
    fields = [(f"F{k}", f"Grower {k} {BAD}") for k in range(2)]
    tables = {
        "strips": ("strip,field,pair,cushion", strips),
        "frames": ("frame,strip,zone,area,loose_kernels,note", frames),
        "fields": ("field,grower", fields),
    }
    for name, (head, rows) in tables.items():
        text = "\n".join([head, *(",".join(f'"{cell}"' for cell in row) for row in rows)])
        (folder / f"{name}.csv").write_bytes(text.encode())
    (folder / "trial.toml").write_bytes(SETTINGS.encode())
    if os.name == "posix":
        (folder / "odd\x1b[2J\u202e.csv").write_text("")
    return folder


def test_list_holds_what_unicode_calls_so() -> None:
    """Against the database of Unicode: every control but tab and line ends, every mark of
    bidirectional writing, every surrogate; no letter, no mark that combines, no joiner."""
    marks = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
    for code in (*range(0x3000), *range(0xD7FF, 0xE001), *range(0xFDD0, 0xFF00)):
        letter = chr(code)
        kind, turns = unicodedata.category(letter), unicodedata.bidirectional(letter)
        seen = not UNSEEN.match(letter)
        if kind == "Cc":
            assert seen == (letter in "\t\n\r")
        elif kind == "Cs" or turns in marks:
            assert not seen
        elif kind[0] in "LMNPS":
            assert seen
    assert visible("a\u200db\u200c") == "a\u200db\u200c"
    assert len(printable(BAD)) == len(BAD)
    assert plain("a\x1b\u202e\ud800\n") == "a\\x1b\\u202e\\ud800\\x0a"


def unseen(text: str) -> list[str]:
    return sorted({f"U+{ord(c):04X}" for c in UNSEEN.findall(text)})


def test_commands(folder: Path, tmp_path: Path) -> None:
    out, paper = tmp_path / "out", tmp_path / "paper"
    for command in (
        ["check", str(folder), "--all"],
        ["analyse", str(folder), "--out", str(out)],
        ["cards", str(folder), "--out", str(paper), "--no-blind", "--sheets", "run"],
        ["check", str(folder / "nowhere\x1b[2J\u202e")],
        ["compare", str(folder)],
    ):
        found = CliRunner().invoke(app, command)
        assert found.exception is None or isinstance(found.exception, SystemExit), command
        told = found.output
        assert not unseen(told), (command, told)
    assert "\\x1b" in CliRunner().invoke(app, ["check", str(folder)]).output
    for path in out.glob("*.csv"):
        assert not unseen(path.read_text("utf-8-sig")), path.name
    with zipfile.ZipFile(out / "analysis.xlsx") as book:
        for name in book.namelist():
            if name.endswith(".xml"):
                ElementTree.fromstring(book.read(name))  # ends with an error where it is none
                assert not unseen(book.read(name).decode()), name
    text = "".join(p.extract_text() for p in PdfReader(paper / "field_paper.pdf").pages)
    assert not unseen(text)


def test_pages_on_screen_and_on_paper(folder: Path) -> None:
    analysis = analyse(load_trial(folder))
    formula = Formula("LABELq0q", f'"{BAD}"', BAD, (BAD,))
    elements = [*field_day(analysis).elements, Sentence((formula, Marked(BAD), Link(BAD, BAD)))]
    assert not unseen(html(elements))
    sheet = Sheet()
    add(sheet, elements)
    assert not unseen("".join(sheet.blocks))
    assert compile_pdf(sheet, "article", title=f"Title {BAD}").startswith(b"%PDF")
    assert not unseen(analysis._repr_html_() + analysis.trial._repr_html_())
    assert "\\u202e" not in script_json({"a": [BAD], BAD: 1})


def test_workbooks(folder: Path, tmp_path: Path) -> None:
    intake = read_trial(folder)
    tables = {name: intake.tables[name] for name in ("strips", "fields")}
    book = filled_workbook(tmp_path / "again.xlsx", intake.config, tables)
    again = read_trial(book)  # what is shown instead is the same in settings and tables
    assert len(again.tables["strips"]) == 12
    assert again.tables["strips"]["cushion"].nunique() == 2
    table = pd.DataFrame({f"a{BAD}": [BAD, 1.5, None], "b": [1, 2, 3]})
    sheet = load_workbook(io.BytesIO(workbook_bytes({"t": table})))["t"]
    assert sheet["A2"].value == visible(BAD)
    assert [sheet["A3"].value, sheet["B4"].value] == [1.5, 3]
