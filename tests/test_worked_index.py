"""The index of the worked examples: each of them once, by its own title, and figures by kind."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import nbformat

sys.path.insert(0, str(Path(__file__).parents[1] / "notebooks" / "worked"))
from _compare import figures_by_kind

WORKED = Path(__file__).parents[1] / "notebooks" / "worked"
EXAMPLES = sorted(set(WORKED.glob("*.ipynb")) - {WORKED / "index.ipynb"})


def first_cell(path: Path) -> str:
    return nbformat.read(path, as_version=4).cells[0].source


def test_every_worked_example_is_in_the_index_once_under_its_title() -> None:
    listed = re.findall(r"\[([^\]]+)\]\((\w+\.ipynb)\)", first_cell(WORKED / "index.ipynb"))
    titles = {path.name: first_cell(path).splitlines()[0].removeprefix("# ") for path in EXAMPLES}
    assert sorted(name for _, name in listed) == sorted(titles)
    assert {name: title for title, name in listed} == titles


def test_figures_are_counted_by_kind_from_tables_that_nbval_holds_to_their_code() -> None:
    counted = figures_by_kind(WORKED)
    assert list(counted.index) == [path.name for path in EXAMPLES]
    counted.loc["all"] = counted.sum()
    (shown,) = nbformat.read(WORKED / "index.ipynb", as_version=4).cells[-1].outputs
    assert shown.data["text/html"] == counted._repr_html_()
    for path in EXAMPLES:
        for cell in nbformat.read(path, as_version=4).cells:
            if re.search(r"^compare\(", cell.source, re.M):
                assert cell.source.startswith("# NBVAL_CHECK_OUTPUT"), path.name
