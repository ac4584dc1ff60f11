"""What a user can read is said by `trialkit.words`: no other room holds a sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from sentences import in_file, in_python, in_script
from test_layers import PACKAGE

from trialkit.pages import notebooks_dir

# Their texts are data: the trade's columns and terms by record, an invented trial's own words; and
# the engine, which could be lifted out, has its short notes in a file of its own.
ASIDE = {"words", "responses", "demo", "_share"}
NOTES = PACKAGE / "mixed" / "notes.py"
OTHERS = [
    path
    for path in sorted(PACKAGE.rglob("*"))
    if path.suffix in (".py", ".js", ".typ")
    and path.relative_to(PACKAGE).parts[0] not in ASIDE
    and path != NOTES
] + sorted((notebooks_dir() / "reports").glob("*.ipynb"))


@pytest.mark.parametrize("path", OTHERS, ids=lambda p: "/".join(p.parts[-2:]))
def test_no_sentence_outside_words(path: Path) -> None:
    found = [f"{path.name}:{line}: {text!r}" for line, text in in_file(path)]
    assert not found, "\n".join(found)


def test_a_sentence_is_found_wherever_it_hides() -> None:
    source = '''
def f(n):
    """This is a docstring of five words."""
    raise ValueError(f"this is said where it is raised, {n}")
def g(n):
    return f"{n} strips were left out of it"
KEY = "three words only"
'''
    assert [line for line, _ in in_python(source)] == [6]
    script = 'let a = "strips were left out of it" // a comment of four words\nlet b = "px solid"\n'
    assert [line for line, _ in in_script(script)] == [1]
    assert [line for line, _ in in_script("#text[strips were left out here]")] == [1]
