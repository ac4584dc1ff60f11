"""Results that keep notes: the notes are facts, what they say is asked of `trialkit.words`."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.facts import Note
from trialkit.mixed.notes import tells_zero_variance
from trialkit.words import said


def of_the_engine(notes: Iterable[str]) -> tuple[Note, ...]:
    """Short notes of the engine as notes of a result; a variance of zero has a code of its own,
    for where the table of variances shows it already."""
    return tuple(
        Note("model.zero_variance" if tells_zero_variance(note) else "model.of_the_engine",
             {"note": note})
        for note in notes
    )  # fmt: skip


class Noted:
    """A result with `notes` on what it rests on."""

    __slots__ = ()
    notes: tuple[Note, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What it rests on and what should be known of it: its notes in words."""
        return tuple(said(self.notes))


class Found(Noted):
    """A result that also keeps what was found as notes."""

    __slots__ = ()
    findings: tuple[Note, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """What was found, in words."""
        return tuple(said(self.findings))
