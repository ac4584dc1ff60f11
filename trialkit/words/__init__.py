"""Every sentence a user can read, one file per subject: functions of plain values.

A room returns facts; what is said of them stands here. A file is a subject ("comparisons",
"header"), a function one sentence or a few that belong together, its arguments plain values
(numbers, labels, words of a response, a grade of evidence), never a result of a room above. A
`trialkit.facts.Note` names its function: ``Note("design.single_strips", {"pairs": 3})`` is said
by ``single_strips(pairs=3)`` of ``words/design.py``.

English stands in the files of this folder. Another language is a folder of its code with files of
the same names and functions (``words/es/cards.py``); what it does not have is said in English.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from importlib.util import find_spec
from pkgutil import iter_modules
from typing import Any

from trialkit.facts import Note

ENGLISH = "en"

__all__ = ["ENGLISH", "languages", "said", "say", "spoken"]


def languages() -> tuple[str, ...]:
    """Languages that something is said in, English first."""
    return ENGLISH, *sorted(m.name for m in iter_modules(__path__) if m.ispkg)


def spoken(subject: str, name: str, language: str = ENGLISH) -> Any:
    """The function `name` of a subject in a language, in English where that has none.

    Raises
    ------
    KeyError
        When there is no such subject, or it has no such function.
    """
    if language != ENGLISH and find_spec(f"{__name__}.{language}") is not None:
        own = f"{__name__}.{language}.{subject}"
        if find_spec(own) is not None and hasattr(module := import_module(own), name):
            return getattr(module, name)
    if find_spec(f"{__name__}.{subject}") is None:
        raise KeyError(f"words has no subject {subject!r}")
    module = import_module(f"{__name__}.{subject}")
    if not hasattr(module, name):
        raise KeyError(f"words/{subject}.py has no function {name!r}")
    return getattr(module, name)


def say(note: Note, language: str = ENGLISH) -> str:
    """What a note says, in a sentence or a few."""
    subject, _, name = note.code.partition(".")
    return str(spoken(subject, name, language)(**note.values))


def said(notes: Iterable[Note], language: str = ENGLISH) -> list[str]:
    """What several notes say, each once, in their order."""
    return list(dict.fromkeys(say(note, language) for note in notes))
