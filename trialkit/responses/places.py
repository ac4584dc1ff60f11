"""What a zone and a source of loss are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from trialkit.words.terms import ENGLISH


@dataclass(frozen=True, slots=True)
class ZoneWords:
    """Words for the ground of a zone.

    Attributes
    ----------
    full : str
        What it is, in full: "standing corn ahead of the machine".
    card : str
        The same as short as the count card needs it.
    where : str
        Where that is: "in standing corn ahead of the machine".
    short, at : str
        In a table, and behind "frames": "standing corn", "in standing corn".
    seen : str
        Where it lies in the drawing of the count; as in `where` unless told.
    called : str
        What the count card and its drawing call it; by its name unless told.
    """

    full: str
    card: str
    where: str
    short: str
    at: str
    seen: str = ""
    called: str = ""


@dataclass(frozen=True, slots=True)
class Zone:
    """Ground that is counted.

    Attributes
    ----------
    name : str
    rank : float
        Its place in the order the ground is walked.
    words : mapping
        `ZoneWords` by language.
    frames : str
        The number of `trialkit.simulate.Effort` that says how many frames a strip.
    lies : tuple of str
        What lies on it, of "preharvest", "header", "processing", and names of
        ``trialkit.simulate.Truth.others`` (per m2): what a simulated count is drawn from.
    searched : bool
        Whether ears are searched for on it.
    before : bool
        What lies there no setup did: it is taken off, and where a strip has none that of its pair,
        else of its field, is.
    drawn : (float, float) or None
        Where it lies in the plan view of the count, along the rows in m, 0 where the header
        stopped.
    aliases : tuple of str
        Other spellings of its name.
    """

    name: str
    rank: float
    words: Mapping[str, ZoneWords]
    frames: str = ""
    lies: tuple[str, ...] = ()
    searched: bool = False
    before: bool = False
    drawn: tuple[float, float] | None = None
    aliases: tuple[str, ...] = ()

    def ground(self, language: str = ENGLISH) -> ZoneWords:
        """Its words in a language, in English where that has none."""
        return self.words.get(language, self.words[ENGLISH])


@dataclass(frozen=True, slots=True)
class Source:
    """A source of loss: a weighted sum of what lies in the zones.

    Attributes
    ----------
    name : str
    rank : float
        Its place in tables and pictures.
    words : mapping
        What a picture calls it, by language: "at the header".
    colour : str
        Its fill; told apart in grey as well.
    own : str
        The zone whose frames are its own.
    zones, spread : mapping of str to float
        Weights of the zones. Those of `spread` are of ground that residue fell on: divided by the
        header's width over the width it was discharged on.
    column : str
        What is counted in this column of the frames alone; empty for all that counts.
    part_of : str
        The source it is a part of, told instead of it where all its parts are known.
    ears_as_whole : bool
        Whole ears of the source it is part of count in this part.
    ears_at : mapping of str to str
        For ears, the zone that stands in where another was not searched.
    machine : bool
        Whether it is the machine's doing.
    whole : bool
        All sources together, no source beside the others.
    """

    name: str
    rank: float
    words: Mapping[str, str]
    own: str
    colour: str = ""
    zones: Mapping[str, float] = field(default_factory=dict)
    spread: Mapping[str, float] = field(default_factory=dict)
    column: str = ""
    part_of: str = ""
    ears_as_whole: bool = False
    ears_at: Mapping[str, str] = field(default_factory=dict)
    machine: bool = True
    whole: bool = False

    def said(self, language: str = ENGLISH) -> str:
        """What a picture calls it, in English where the language has no word for it."""
        return self.words.get(language, self.words[ENGLISH])
