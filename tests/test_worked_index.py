"""The index of the worked examples lists every one of them, once, by its own title."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat

WORKED = Path(__file__).parents[1] / "notebooks" / "worked"


def first_cell(path: Path) -> str:
    return nbformat.read(path, as_version=4).cells[0].source


def test_every_worked_example_is_in_the_index_once_under_its_title() -> None:
    listed = re.findall(r"\[([^\]]+)\]\((\w+\.ipynb)\)", first_cell(WORKED / "index.ipynb"))
    examples = sorted(set(WORKED.glob("*.ipynb")) - {WORKED / "index.ipynb"})
    titles = {path.name: first_cell(path).splitlines()[0].removeprefix("# ") for path in examples}
    assert sorted(name for _, name in listed) == sorted(titles)
    assert {name: title for title, name in listed} == titles
