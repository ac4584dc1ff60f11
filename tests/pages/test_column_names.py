"""What growers and crews read calls columns what people call them: no name of a table's column with
an underscore in it stands on a page, a drawing, a sheet or the phone. In small print under a box
stands the name that its column is typed in under; exports and the researcher's list of tables have
the names as they are."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from frozen_trials import frozen_dir
from matplotlib.text import Text
from test_cards import write_plan

import trialkit as tk
from trialkit import plots
from trialkit.pages import readers
from trialkit.pages.field_paper import SHEETS
from trialkit.pages.field_paper.content import content as paper
from trialkit.pages.field_paper.labels import label_list
from trialkit.pages.field_paper.source import field_trial
from trialkit.pages.screen.content import content as screen
from trialkit.plots.row_unit import DRAWINGS
from trialkit.responses import schema
from trialkit.words import languages

COLUMNS = {c.name for t in schema.TABLES for c in schema.table(t).columns if "_" in c.name}
# Of the phone's record: what its script finds things by, and heads of the file it writes.
FOUND_BY = {
    "head", "heads", "name", "of", "part", "fields", "key", "record", "table", "file", "levels",
}  # fmt: skip


def names_in(text: str) -> set[str]:
    return set(re.findall(r"\b[a-z]+_[a-z0-9_]+\b", text)) & COLUMNS


def read(value: Any) -> Iterator[str]:
    """What is read in a record, less the small print under a box and what things are found by."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            if key == "fields" and isinstance(inner, dict):  # a description for each field
                yield from (text for one in inner.values() for text in read(one))
            elif key not in FOUND_BY:
                yield from read(inner)
    elif isinstance(value, list | tuple):
        pair = len(value) == 2 and isinstance(value[0], str) and value[1] in COLUMNS
        yield from (text for each in value[: 1 if pair else None] for text in read(each))


def test_the_scan_finds_names() -> None:
    assert len(COLUMNS) > 40
    assert names_in("the gap_front of 12; roll_rpm") == {"gap_front", "roll_rpm"}
    assert "gap_front" in " ".join(read({"how": ["gap_front: ..."], "head": "x"}))
    assert not names_in(" ".join(read({"headers": [("front gap (in)", "gap_front")]})))


@pytest.mark.parametrize("language", languages())
def test_sheets_drawings_and_phone(tmp_path: Path, language: str) -> None:
    trial = field_trial(write_plan(tmp_path), language=language)
    for blind in (True, False):
        data, _ = paper(trial, SHEETS, "a4", blind)
        told = " ".join(read([data, label_list(trial)]))
        assert len(told) > 5000 and not names_in(told), names_in(told)
    strips = [str(strip) for strip in trial.strips["strip"]]
    phone = " ".join(read(screen(trial, strips, None, True)))
    assert len(phone) > 5000 and not names_in(phone), names_in(phone)
    drawn = [draw(language=language) for draw in DRAWINGS.values()]
    drawn.append(plots.count_zones("US", language=language))
    for figure in drawn:
        words = " ".join([figure.alt_text, *(t.get_text() for t in figure.findobj(Text))])
        assert words and not names_in(words), words


def test_pages(tmp_path: Path) -> None:
    """Of a trial with contradictions and refused cells, which pages tell of."""
    folder = tmp_path / "trial"
    folder.mkdir()
    for path in frozen_dir("split_strips").iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    strips = (folder / "strips.csv").read_text(encoding="utf-8").splitlines()
    head = [name.split(" ")[0] for name in strips[0].split(",")]
    for line, column, cell in ((1, "gap_front", "14"), (3, "speed_set", "15"),
                               (5, "test_weight", "heavy"), (6, "gap_rear", "wide")):  # fmt: skip
        cells = strips[line].split(",")
        cells[head.index(column)] = cell
        strips[line] = ",".join(cells)
    (folder / "strips.csv").write_text("\n".join(strips) + "\n", encoding="utf-8")
    analysis = tk.analyse(tk.load_trial(folder), responses=["header_loss"])
    made = {"field-day": readers.field_day(analysis), "grower": readers.grower(analysis),
            "header": readers.header(analysis.trial)}  # fmt: skip
    for report, page in made.items():
        shown = "".join(part._repr_html_() for part in page)
        text = re.sub(r"<(script|style)\b.*?</\1>|<[^>]*>", " ", shown, flags=re.S)
        near = [text[max(0, text.find(n) - 200):text.find(n) + 60] for n in names_in(text)]
        assert len(text) > 2000 and not near, (report, near)
