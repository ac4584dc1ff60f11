"""How a response is spoken of: its verb, its nouns, and the word for a smaller amount.

The terms themselves stand with the response they are of and are made known here (`know`), so that
every sentence finds them by the name of the response and the language.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

ENGLISH = "en"


@dataclass(frozen=True, slots=True)
class Terms:
    """Words for one response.

    Attributes
    ----------
    verb : str
        What a setup did, in the past: "left".
    less, more : str
        What it did less or more of, with a slot for a degree: "{}fewer damaged kernels".
    subject : str
        What is compared, in a sentence.
    smaller, larger : str
        Of a share of the reference: "34 % fewer".
    count : str
        How anyone can look for it behind the own machine.
    """

    verb: str
    less: str
    more: str
    subject: str
    smaller: str = "less"
    larger: str = "more"
    count: str = "count behind both"

    @property
    def noun(self) -> str:
        """What is left or had, behind its verb: "loose kernels at the header"."""
        return self.subject if self.larger == "higher" else self.more.format("").split(" ", 1)[1]

    @property
    def by_amount(self) -> tuple[str, str]:
        """Words for a fall and a rise told in a unit: an amount is "1.4 bu/ac less", whatever can
        be counted in it; a height is "lower"."""
        return (self.smaller, self.larger) if self.larger == "higher" else ("less", "more")


def amount(
    verb: str, noun: str, subject: str, *, few: bool = True, count: str = "count behind both"
) -> Terms:
    """Something a setup left or had less or more of; `few` where it can be counted."""
    small = "fewer" if few else "less"
    return Terms(verb, f"{{}}{small} {noun}", f"{{}}more {noun}", subject, small, count=count)


def height(verb: str, noun: str, count: str) -> Terms:
    """Something that was lower or higher."""
    return Terms(verb, f"a {{}}lower {noun}", f"a {{}}higher {noun}", noun, "lower", "higher",
                 count)  # fmt: skip


_KNOWN: dict[str, dict[str, Terms]] = {ENGLISH: {}}


def know(terms: Mapping[str, Terms], language: str = ENGLISH) -> None:
    """Make the terms of responses, by their names, known in a language."""
    _KNOWN.setdefault(language, {}).update(terms)


def terms(response: str, language: str = ENGLISH) -> Terms:
    """The terms of a response, in English where the language has none; of one whose record gives
    none, plain ones of its name."""
    for known in (_KNOWN.get(language, {}), _KNOWN[ENGLISH]):
        if response in known:
            return known[response]
    name = response.replace("_", " ")
    return amount("had", name, name, few=False)
