"""Notes are said by the function they name, with arguments it takes."""

from __future__ import annotations

import ast
import inspect
import sys
import types

import pytest
from test_layers import PACKAGE, SOURCES

from trialkit import words
from trialkit.facts import Note

WRITTEN = [
    (path, node)
    for path in SOURCES
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    if isinstance(node, ast.Call)
    and isinstance(node.func, ast.Name)
    and node.func.id == "Note"
    and node.args
    and isinstance(node.args[0], ast.Constant)
]


def test_every_note_that_is_written_can_be_said() -> None:
    for path, node in WRITTEN:
        where = f"{path.relative_to(PACKAGE)}:{node.lineno}"
        subject, _, name = node.args[0].value.partition(".")
        takes = inspect.signature(words.spoken(subject, name)).parameters
        if len(node.args) > 1 and isinstance(node.args[1], ast.Dict):
            given = {key.value for key in node.args[1].keys if isinstance(key, ast.Constant)}
            needed = {n for n, p in takes.items() if p.default is p.empty}
            # "**more" brings names that are not read here.
            assert given <= set(takes) and (needed <= given or None in node.args[1].keys), where


@pytest.fixture
def counting(monkeypatch: pytest.MonkeyPatch) -> None:
    """A subject in English, half of it in another language."""
    for name, functions in {
        "counting": {"strips": lambda n: f"{n} strips.", "fields": lambda n: f"{n} fields."},
        "xx": {},
        "xx.counting": {"strips": lambda n: f"{n} tiras."},
    }.items():
        module = types.ModuleType(f"trialkit.words.{name}")
        module.__dict__.update(functions)
        module.__spec__ = types.SimpleNamespace()  # type: ignore[assignment]
        monkeypatch.setitem(sys.modules, f"trialkit.words.{name}", module)


@pytest.mark.usefixtures("counting")
def test_a_language_says_what_it_can_and_english_the_rest() -> None:
    notes = [Note("counting.strips", {"n": 3}), Note("counting.fields", {"n": 2})]
    assert words.said(notes, "xx") == ["3 tiras.", "2 fields."]
    assert words.said(notes + notes) == ["3 strips.", "2 fields."]


def test_what_nobody_wrote_is_refused() -> None:
    with pytest.raises(KeyError, match="no subject"):
        words.say(Note("nothing_of_the_kind.strips"))
