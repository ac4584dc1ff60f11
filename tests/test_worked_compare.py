"""The table of the worked examples must fail when a figure does not round to the one expected."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output

sys.path.insert(0, str(Path(__file__).parents[1] / "notebooks" / "worked"))
from _compare import KINDS, Row, compare, figures_by_kind, rounds_to


@pytest.mark.parametrize(
    ("printed", "inside", "outside"),
    [
        ("20.93", (20.9251, 20.9349), (20.9249, 20.9351, -20.93, math.nan, math.inf)),
        ("-0.16", (-0.1551, -0.1649), (-0.1549, -0.1651, 0.16)),
        ("1764", (1763.51, 1764.49), (1763.49, 1764.51)),
        ("2.46e-12", (2.4551e-12, 2.4649e-12), (2.4549e-12, 2.4651e-12, 0.0)),
        ("11,271.5", (11271.46, 11271.54), (11271.44, 11271.56)),
        ("0.00", (0.0, -0.0049), (0.0051,)),
        ("< 0.0001", (0.0, 9.9e-5), (1e-4, 1.1e-4, math.nan)),
        ("<.0001", (9.9e-5,), (1e-4,)),
    ],
)
def test_a_figure_is_held_to_the_last_printed_digit(printed: str, inside, outside) -> None:
    assert all(rounds_to(ours, printed) for ours in inside)
    assert not any(rounds_to(ours, printed) for ours in outside)


def test_halfway_rounds_either_way_but_only_halfway() -> None:
    """In binary 0.145 and 2.675 are just below halfway, 0.155 just above."""
    for ours, down, up in [
        (0.145, "0.14", "0.15"), (2.675, "2.67", "2.68"), (0.155, "0.15", "0.16"), (2.5, "2", "3"),
    ]:
        assert rounds_to(ours, down) and rounds_to(ours, up)
        assert not rounds_to(ours * (1 + 1e-9), down) and not rounds_to(ours * (1 - 1e-9), up)


def test_what_differs_fails_and_is_named_with_both_figures() -> None:
    with pytest.raises(AssertionError, match=r"mean difference \(20\.94 for 20\.93\)"):
        compare(Row("mean", "1.0", 1.04, "here"), Row("mean difference", "20.93", 20.936, "here"))


def test_our_figure_instead_is_held_as_strictly() -> None:
    said = {"instead": "20.94", "reason": "they stopped early"}
    compare(Row("mean", "20.93", 20.9449, "here", **said))
    for ours in (20.9451, 20.93):  # the second would agree with the published one
        with pytest.raises(AssertionError, match=r"for 20\.94"):
            compare(Row("mean", "20.93", ours, "here", **said))


@pytest.mark.parametrize(
    ("said", "match"),
    [
        ({"instead": "20.94"}, "reason"),
        ({"reason": "they stopped early"}, "reason"),
        ({"instead": "20.9", "reason": "they stopped early"}, "digits"),
        ({"instead": "20.93", "reason": "they stopped early"}, "published"),
        ({"kind": "published"}, "kind"),
    ],
)
def test_a_row_that_says_too_little_is_refused(said: dict[str, str], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        compare(Row("mean", "20.93", 20.93, "here", **said))


def test_the_table_shows_rounded_figures_and_their_kind_and_is_counted(
    tmp_path, monkeypatch
) -> None:
    shown = []
    monkeypatch.setattr("_compare.display", lambda data, raw: shown.append(data))
    compare(
        Row("mean", "20.93", 20.934, "a book"),
        Row("p", "< 0.001", 3e-9, "a book", "from memory"),
        Row("df", "9.734e-05", 1.02e-4, "R", "ours", "1.020e-04", "theirs is coarse"),
    )
    compare(Row("sd", "1.00", 1.0, "another book"))
    html = shown[0]["text/html"]
    assert "published" not in html and html.count("<tr>") == 3
    verdict = "rightly differs: theirs is coarse"
    for text in ("20.93", "&lt; 0.001", "1.020e-04", "from memory", verdict):
        assert f"<td>{text}</td>" in html
    cells = [
        new_code_cell("", outputs=[new_output("display_data", {"text/plain": data["text/plain"]})])
        for data in [*shown, {"text/plain": "<Figure of 7 looked up>"}]
    ]
    nbformat.write(new_notebook(cells=cells), tmp_path / "one.ipynb")
    nbformat.write(new_notebook(), tmp_path / "none.ipynb")
    assert figures_by_kind(tmp_path).to_dict("split") == {
        "index": ["one.ipynb"], "columns": list(KINDS), "data": [[2, 1, 1]],
    }
