"""What is said of names that are kept back, and what stands in their place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trialkit.quantities import listed
from trialkit.words.counts import counted, some_of

_SHOWN = 5


def neutral_title() -> str:
    """In the place of a title that names someone."""
    return "Strip trial"


def title_replaced(title: str) -> str:
    """The terminal: a title was not printed."""
    return (
        f"The title holds a name: {title!r}. What is written has {neutral_title()!r} in its place, "
        "since growers_agreed is not true. Give the trial another title."
    )


def give_another(
    names: Sequence[tuple[str, Sequence[str]]], trials: Mapping[str, Sequence[str]] | None = None
) -> list[str]:
    """The terminal: names with what of them cannot be struck, a sentence each.

    Parameters
    ----------
    names : sequence of (name, words)
        `words` stand elsewhere as levels, zones, units, numbers or words of the report; the name
        itself where it is nothing else.
    trials : mapping of str to sequence of str, optional
        Where there are many: the folders of those that use a name.
    """
    known = trials or {}
    out = [_one(name, words, known.get(name, ())) for name, words in names[:_SHOWN]]
    if left := len(names) - _SHOWN:
        out += [f"The same holds for {counted(left, 'name')} more."] if left > 0 else []
    return out


def _one(name: str, words: Sequence[str], trials: Sequence[str]) -> str:
    of = f" (in {some_of(trials, _SHOWN)})" if trials else ""
    files = "those trials' files" if len(trials) > 1 else "the trial's files"
    if list(words) == [name]:
        return (
            f"The name {name!r}{of} is also a word that the report needs, of a setup or of its own "
            "sentences. As a name it is not on the page: a letter stands there. The word alone "
            f"cannot be struck out of sentences; give another name in {files} if it tells whose it "
            "is."
        )
    they = "is a number or a word" if len(words) == 1 else "are numbers or words"
    return (
        f"Of the name {name!r}{of}, {listed([repr(word) for word in words])} {they} that the "
        "report needs elsewhere. The whole name is not on the page; that part alone cannot be "
        "struck out. "
        f"Give another name in {files} if it tells whose it is."
    )


def which_grower(names: Sequence[tuple[str, str]], tail: int, many: bool = False) -> str:
    """Error: a grower's page without a grower; `names` with their letters, `tail` more, of one
    trial or of many."""
    told = [f"{name} ({letter})" for letter, name in names]
    more = f" and {tail} more" if tail else ""
    return (
        f"The {'trials have' if many else 'trial has'} {len(names) + tail} growers, and a "
        "grower's page is about one of them: say "
        f"which with --grower (in Python grower=), by name or letter: {'; '.join(told)}{more}."
    )


def no_such_grower(asked: str, last: str, many: bool = False) -> str:
    """Error: a grower's page of somebody unknown; letters go to `last`, "" where there are none."""
    have = "trials have" if many else "trial has"
    if not last:
        return f"The {have} no growers in the table of fields; leave grower empty."
    return (
        f"The {have} no grower {asked!r}; give a name as the table of fields has it, or a letter "
        f"from A to {last}."
    )


def page_names(grower: str) -> str:
    """On a grower's own page: whom it names, and for whom it is."""
    return f"This page names {grower} and no other grower: it is for {grower} to pass on."


def page_names_fields() -> str:
    """The same where the trial names no growers."""
    return "This page names the fields of the trial: it is for their grower to pass on."


def page_names_agreed() -> str:
    """The same where all growers agreed to be named."""
    return "This page names growers and fields, as they agreed."


def numbered() -> str:
    """How strips are called where names are withheld."""
    return (
        "Strips are numbered field by field as the trial lists them (A-3: the third of Field A); "
        "initials and known names are withheld."
    )
