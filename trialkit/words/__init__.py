"""Every sentence a user can read, one file per subject: functions of plain values.

A room returns facts; what is said of them stands here. A file is a subject ("comparisons",
"header"), a function one sentence or a few that belong together, its arguments plain values
(numbers, labels, words of a response, a grade of evidence), never a result of a room above. A
`trialkit.facts.Note` names its function: ``Note("design.single_strips", {"pairs": 3})`` is said
by ``single_strips(pairs=3)`` of ``words/design.py``.

English stands in the files of this folder. Another language is a folder of its code (``words/es``)
with the subjects of `FIELD`, what goes to the field: files of the same names with the same
functions (``words/es/cards.py``), and in its ``__init__.py`` the `LOCALE` its numbers are written
by. What it does not have is an error, never said in English. Words of zones and sample sheets stand
with their records in `trialkit.responses`, by language.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from trialkit.facts import Note

ENGLISH = "en"
FIELD = (
    "cards", "cautions", "crew", "frames_laid", "header_safety", "pass_maps", "row_unit", "safety",
    "screen",
)  # fmt: skip
"""Subjects of what goes to the field: every language says each function of theirs."""

__all__ = ["ENGLISH", "FIELD", "languages", "said", "say", "spoken"]


def languages() -> tuple[str, ...]:
    """Languages that something is said in, English first."""
    return ENGLISH, *sorted(m.name for m in iter_modules(__path__) if m.ispkg)


def spoken(subject: str, name: str, language: str = ENGLISH) -> Any:
    """The function `name` of a subject in a language.

    Raises
    ------
    KeyError
        When there is no such subject in it, or the subject has no such function.
    """
    inside = subject if language == ENGLISH else f"{language}.{subject}"
    try:
        module = import_module(f"{__name__}.{inside}")
    except ModuleNotFoundError as error:
        raise KeyError(f"words has no subject {inside!r}") from error
    if not hasattr(module, name):
        raise KeyError(f"words/{inside.replace('.', '/')}.py has no function {name!r}")
    return getattr(module, name)


def say(note: Note, language: str = ENGLISH) -> str:
    """What a note says, in a sentence or a few."""
    subject, _, name = note.code.partition(".")
    return str(spoken(subject, name, language)(**note.values))


def said(notes: Iterable[Note], language: str = ENGLISH) -> list[str]:
    """What several notes say, each once, in their order."""
    return list(dict.fromkeys(say(note, language) for note in notes))
