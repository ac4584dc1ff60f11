"""Notes are said by the function they name, with arguments it takes."""

from __future__ import annotations

import ast
import inspect
import re
import sys
import types
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

import pytest
from test_layers import PACKAGE, SOURCES

from trialkit import words
from trialkit.facts import Note
from trialkit.responses import ZONES, schema
from trialkit.words.numerals import localised

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
WORDS = Path(words.__file__).parent


@pytest.fixture
def counting(monkeypatch: pytest.MonkeyPatch) -> None:
    """A subject in English, half of it in another language whose numbers have a comma."""
    for name, functions in {
        "counting": {"strips": lambda n: f"{n} strips.", "fields": lambda n: f"{n} fields."},
        "xx": {"LOCALE": "de"},
        "xx.counting": {"strips": lambda n: f"{n} tiras."},
    }.items():
        module = types.ModuleType(f"trialkit.words.{name}")
        module.__dict__.update(functions)
        module.__spec__ = types.SimpleNamespace()  # type: ignore[assignment]
        monkeypatch.setitem(sys.modules, f"trialkit.words.{name}", module)


@pytest.mark.usefixtures("counting")
def test_what_a_language_lacks_is_an_error() -> None:
    notes = [Note("counting.strips", {"n": 3}), Note("counting.fields", {"n": 2})]
    assert words.said(notes + notes) == ["3 strips.", "2 fields."]
    assert words.said(notes[:1], "xx") == ["3 tiras."]
    with pytest.raises(KeyError, match=r"words/xx/counting.py has no function 'fields'"):
        words.said(notes, "xx")
    with pytest.raises(KeyError, match=r"no subject 'xx.cards'"):
        words.spoken("cards", "drive", "xx")


@pytest.mark.usefixtures("counting")
def test_numbers_are_written_by_the_locale() -> None:
    """Decimal mark and thousands of the Unicode CLDR: German has comma and point."""
    text = "1,204.50 kg/ha, 1/1000 ac, 17 ft 5 in, 10 ft2, 0.3; 4.76 mm."
    assert localised(text, "en") == localised(text, "es") == text
    assert localised(text, "xx") == (
        "1.204,50 kg/ha, 1/1000 ac, 17 ft 5 in, 10 ft2, 0,3; 4,76 mm."
    )


def _functions(module: types.ModuleType) -> dict[str, inspect.Signature]:
    return {
        name: inspect.signature(member)
        for name, member in inspect.getmembers(module, inspect.isfunction)
        if member.__module__ == module.__name__ and not name.startswith("_")
    }


def _names(signature: inspect.Signature) -> list[tuple[object, ...]]:
    return [(p.name, p.kind, p.default) for p in signature.parameters.values()]


SAID = sorted(
    (language, subject)
    for language in words.languages()[1:]
    for subject in {*words.FIELD, *(m.name for m in iter_modules([str(WORDS / language)]))}
    if subject in words.FIELD or (WORDS / f"{subject}.py").exists()
)
"""Subjects by language: those that every one has, and whatever else one has of English."""


@pytest.mark.parametrize(("language", "subject"), SAID)
def test_every_language_says_what_goes_to_the_field(language: str, subject: str) -> None:
    """Each function of the English file, with its arguments; of fixed texts as many, and others."""
    english = import_module(f"trialkit.words.{subject}")
    other = import_module(f"trialkit.words.{language}.{subject}")
    wanted, given = _functions(english), _functions(other)
    assert sorted(given) == sorted(wanted)
    for name, signature in wanted.items():
        assert _names(given[name]) == _names(signature), name
        if signature.parameters:
            continue
        one, two = getattr(english, name)(), getattr(other, name)()
        assert one != two or name == "decimal_sign", name
        if isinstance(one, tuple | list):
            assert len(one) == len(two), name
        if isinstance(one, dict):
            assert set(one) <= set(two), set(one) - set(two)
            for key, text in one.items():  # what is filled in
                slots = re.findall(r"{\w+}", str(text))
                assert sorted(slots) == sorted(re.findall(r"{\w+}", str(two[key]))), key


@pytest.mark.parametrize("language", words.languages()[1:])
def test_every_language_names_zones_samples_and_boxes(language: str) -> None:
    assert all(language in zone.words and zone.ground(language).called for zone in ZONES.values())
    for table in schema.TABLES.values():
        sheet = table.sheet
        if sheet is not None and sheet.heading:
            assert all(a != b for a, b in zip(sheet.on_card(language), sheet.on_card("en"),
                                              strict=True))  # fmt: skip
        for column in table.columns if table.name != "fields" else ():
            head = column.header("US")
            said, own = words.spoken("cards", "head", language)(column.name, head)
            assert own == column.name and said != head
            assert said.endswith(head.removeprefix(column.name))  # the unit
        for name in ("status", "taken_at"):
            levels = [c.levels for c in table.columns if c.name == name]
            for level in levels[0] if levels else ():
                assert words.spoken("cards", "level", language)(level)[1] == level


def test_what_nobody_wrote_is_refused() -> None:
    with pytest.raises(KeyError, match="no subject"):
        words.say(Note("nothing_of_the_kind.strips"))
