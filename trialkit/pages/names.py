"""Finding names in running text, however they are written, and putting something in their place.

A name is found as a whole and by each of its words that is no ordinary one, in any order. Between
its words may be any spaces, line breaks, hyphens and underscores, or none where they stand in their
order or with the last first; within a word, soft hyphens and nothing else, but for what is written
in several ways (`folding.spellings`): "O'Brien", "M\u00fcller", "McDonald". Accents may be composed
or not or left out, and it may be in the plural and the possessive. In scripts without spaces, it is
found as a whole within other text. What stands for it is never found again, so that text can be
looked through more than once.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any, NamedTuple

from trialkit.pages.folding import Token, compounds, spellings, tokens, words_of
from trialkit.pages.vocabulary import GENERIC

WITHHELD = "(withheld)"
# Between the words of one name; a sentence may not end there.
_BETWEEN = re.compile(r"(?:[^\w;:!?]|_){0,6}")
_JOINED = re.compile(r"(?:[^\w;:!?]|_){0,6}(?:and[\W_]{1,3})?")


@dataclass(frozen=True, slots=True)
class Name:
    """A name and what stands for it.

    Attributes
    ----------
    text, shown : str
    kind : str
        "" of a field or person, whose words are names too; "whole" of what is found as a whole
        alone, as is what stands as it is (`shown` is `text`); "strip", "pair" or "main strip" of
        what is numbered: it is found as it is written, and words that it has for itself are
        withheld.
    """

    text: str
    shown: str
    kind: str = ""

    @property
    def numbered(self) -> bool:
        """Whether it is a strip, a pair or a main strip."""
        return self.kind not in ("", "whole")

    @property
    def stands(self) -> bool:
        """Whether it is left as it is; of itself, since words of it may be another's."""
        return self.shown == self.text


class _Found(NamedTuple):
    """Tokens of a name as they follow one another, and what is asked of the text round them."""

    tokens: tuple[str, ...]
    shown: str
    name: Name
    after: bool = False  # only behind the word for what it is: "strip A"


@dataclass(frozen=True, slots=True)
class _Index:
    """What is looked for: whole names by their words, how many words those have that begin with
    one, most first, and single words by owner."""

    whole: Mapping[tuple[str, ...], list[_Found]]
    sizes: Mapping[str, list[int]]
    words: Mapping[str, frozenset[str]]


class Names:
    """Names to be struck out of text.

    Of what several names are called, or words of several, nothing tells which is meant: it is
    withheld where they are not all shown alike.

    Parameters
    ----------
    names : iterable of Name
    kept : collection of str
        Folded words that stand wherever they are: levels of setups, zones, units.
    labels : iterable of str
        Phrases in which no name is looked for: "Wide plates" is a setup, though a field is called
        so.
    ordinary : collection of str
        Folded words that the program's own sentences are made of. By themselves they stand there,
        but not in what users wrote (`struck` with ``strictly``).
    """

    def __init__(
        self, names: Iterable[Name], kept: Collection[str] = (), labels: Iterable[str] = (),
        ordinary: Collection[str] = (),
    ) -> None:  # fmt: skip
        wanted = [n for n in names if words_of(n.text)]
        # "Field B" stands as a whole: else the trial "b24" would be found in "Field B (24 strips)".
        given = (Name(n.shown, n.shown, "whole") for n in wanted if not n.numbered)
        self.names = list(dict.fromkeys([*wanted, *(n for n in given if words_of(n.text))]))
        self.kept = frozenset(kept)
        self._ordinary = frozenset(ordinary)
        self._labels = tuple(f" {' '.join(words_of(label))} " for label in labels)
        index = self._index(self._ordinary | self.kept)
        self._indices = index, self._index(self.kept) if self._ordinary else index
        self.struck = lru_cache(maxsize=20_000)(self._struck)

    def __getstate__(self) -> dict[str, Any]:
        return {name: value for name, value in vars(self).items() if name != "struck"}

    def __setstate__(self, state: dict[str, Any]) -> None:
        vars(self).update(state)
        self.struck = lru_cache(maxsize=20_000)(self._struck)

    # ------------------------------------------------------------ what is looked for
    def _index(self, spared: frozenset[str]) -> _Index:
        whole: dict[tuple[str, ...], list[_Found]] = {}
        sizes: dict[str, set[int]] = {}
        words: dict[str, set[str]] = {}
        for name in self.names:
            for one in self._orders(name, spared):
                whole.setdefault(one.tokens, []).append(one)
                sizes.setdefault(one.tokens[0], set()).add(len(one.tokens))
            if not name.kind:
                for word in self._words(name, spared):
                    words.setdefault(word, set()).add(name.shown)
        for name in self.names:
            if name.kind == "whole" and name.stands:
                for word in words.keys() & self._words(name, spared):
                    words[word].add(WITHHELD)
        whole_alone = {w for n in self.names if n.kind == "whole" for w in words_of(n.text)}
        rare = spared | self._ordinary | GENERIC | whole_alone | words.keys()
        for name in self.names:
            if name.numbered:
                own = (w for w in words_of(name.text) if len(w) > 2 and w.isalpha())
                words.update((word, {WITHHELD}) for word in own if word not in rare)
        for several, found in whole.items():
            numbered = [one for one in found if one.name.numbered]
            others = [one for one in found if not one.name.numbered]
            if len({None if one.name.stands else one.shown for one in others}) > 1:
                name = Name(others[0].name.text, WITHHELD, "whole")
                others = [_Found(several, WITHHELD, name)]
            whole[several] = [*numbered, *others]
        return _Index(
            whole, {first: sorted(own, reverse=True) for first, own in sizes.items()},
            {word: frozenset(shown) for word, shown in words.items()},
        )  # fmt: skip

    def _orders(self, name: Name, spared: frozenset[str]) -> Iterable[_Found]:
        """The whole name as it may be written: as it is, last word first, run together; each in
        every of its `spellings`."""
        own = words_of(name.text)
        if name.numbered:
            if not all(word.isdigit() for word in own):
                by_itself = len(own) > 1 or (len(own[0]) > 2 and own[0] not in spared | GENERIC)
                yield _Found(own, name.shown, name, after=not by_itself)
            return
        orders: list[tuple[str, ...]] = []
        for own in spellings(name.text):
            if not self._can_be_found(own, spared):
                continue
            orders.append(own)
            if len(own) > 1 and all(word.isalpha() for word in own):
                turned = (own[-1], *own[:-1])
                orders += [turned, ("".join(own),), ("".join(turned),)]
        if not name.kind:
            orders += compounds(name.text)
        yield from (_Found(order, name.shown, name) for order in dict.fromkeys(orders))

    def whole_found(self, name: Name, spared: frozenset[str] | None = None) -> bool:
        """Whether the name as a whole can be struck out of the program's own sentences."""
        if spared is None:
            spared = self._ordinary | self.kept
        return self._can_be_found(words_of(name.text), spared)

    def _can_be_found(self, own: tuple[str, ...], spared: frozenset[str]) -> bool:
        if len(own) == 1:
            return own[0].isalpha() and len(own[0]) > 1 and own[0] not in spared
        if {"strip", "pair", "block"} & set(own) and all(_neutral(word) for word in own):
            return False  # as what is numbered is called
        return not any(f" {' '.join(own)} " in label for label in self._labels)

    def _words(self, name: Name, spared: frozenset[str]) -> set[str]:
        """Words of a name that name it by themselves."""
        every = (word for words in spellings(name.text, parted=False) for word in words)
        own = {word for word in every if word.isalpha() and word not in GENERIC}
        long = {word for word in own if len(word) > 2}
        short = {word for word in own if len(word) == 2 and word not in self._ordinary}
        return (long or short) - spared

    def standing(self, name: Name) -> list[str]:
        """What of a name may stand where it means something else: the terminal asks for another.

        Empty where the name is struck as a whole and its words hold no level, zone, unit or number
        of two digits, and where it names nobody, as "Field 7".
        """
        own = words_of(name.text)
        if all(map(_neutral, own)):
            return []
        if not self.whole_found(name):
            return [name.text]
        apart = (word for word in own if len(word) > 1 and word not in GENERIC)
        return [w for w in apart if w.isdigit() or (len(w) > 2 and w in self.kept)]

    # ------------------------------------------------------------ looking
    def _struck(self, text: str, strictly: bool = False) -> str:
        """Text with something else in the place of every name.

        Parameters
        ----------
        text : str
        strictly : bool
            Of text that a user wrote: ordinary words of a name go too.
        """
        index = self._indices[strictly]
        here = tokens(text)
        out: list[str] = []
        done = k = 0
        while k < len(here):
            found = _whole(text, here, k, index) or _run(text, here, k, index)
            if found is None:
                k += 1
                continue
            shown, start, end, k = found
            out += [text[done:start], shown]
            done = end
        return "".join((*out, text[done:])) if out else text


def _neutral(word: str) -> bool:
    return word.isdigit() or len(word) == 1 or word in GENERIC


def _stems(word: str) -> Iterable[str]:
    """A word, and what it is the plural of."""
    yield word
    if word.endswith("s") and len(word) > 3:
        yield word[:-1]
        if word.endswith("es") and len(word) > 4:
            yield word[:-2]


def _whole(
    text: str, here: list[Token], k: int, index: _Index
) -> tuple[str, int, int, int] | None:  # fmt: skip
    """A whole name that begins at a token: what stands for it, from where to where, the next."""
    for stem in _stems(here[k].text):
        for size in index.sizes.get(stem, ()):
            last = k + size
            if last > len(here) or (size > 1 and stem != here[k].text):
                continue
            first = tuple(token.text for token in here[k : last - 1])
            for final in _stems(here[last - 1].text):
                for one in index.whole.get((*first, final), ()):
                    if _matches(text, here[k:last], one, here[k - 1 : k] if k else []):
                        ends = here[k].start, here[last - 1].end
                        ends = _with_signs(text, *ends, one.name.text)
                        stands = one.name.stands and not one.name.numbered
                        return text[slice(*ends)] if stands else one.shown, *ends, last
    return None


def _matches(text: str, here: list[Token], one: _Found, before: list[Token]) -> bool:
    """Whether the words of a name stand in a text as the name may be written."""
    final = here[-1]
    gaps = [text[a.end : b.start] for a, b in pairwise(here)]
    if not one.name.numbered:
        return all(map(_BETWEEN.fullmatch, gaps))
    if final.text != one.tokens[-1]:
        return False
    around = text[max(here[0].start - 1, 0) : here[0].start] + text[final.end : final.end + 1]
    if any(c.isalnum() for c in around):
        return False
    if one.after and not (before and before[0].text.rstrip("s") in ("strip", "pair", "block")):
        return False
    own = tokens(one.name.text)
    meant = [one.name.text[a.end : b.start] for a, b in pairwise(own)]
    return all(_alike(a, b, token.text) for a, b, token in zip(gaps, meant, here[1:], strict=True))


def _alike(gap: str, meant: str, following: str) -> bool:
    """Whether two signs between words of a strip's name are the same: "North-12" is a strip, in
    "North 12" a number may follow a field."""
    kinds = [_kind(gap), _kind(meant)]
    return kinds[0] == kinds[1] or (not following.isdigit() and {*kinds} <= {"", " ", "-"})


@lru_cache(maxsize=1000)
def _kind(gap: str) -> str:
    if not gap or gap.isspace():
        return gap and " "
    signs = re.sub(r"\s|\u00ad|\u200b", "", gap)
    return re.sub(r"[-_\u2010-\u2015\u2212]", "-", signs)


def _with_signs(text: str, start: int, end: int, name: str) -> tuple[int, int]:
    """Where a name stands with the signs it begins and ends with: the brackets of "Oak (north)"."""
    own = tokens(name)
    before, behind = name[: own[0].start].strip(), name[own[-1].end :].strip()
    if before and text[:start].endswith(before):
        start -= len(before)
    if behind and text.startswith(behind, end):
        end += len(behind)
    return start, end


def _run(
    text: str, here: list[Token], k: int, index: _Index
) -> tuple[str, int, int, int] | None:  # fmt: skip
    """Words of one name that follow one another, in any order."""
    owners, used = _owners(here[k].text, index)
    if not owners:
        return None
    last, seen = k, {used}
    while last + 1 < len(here):
        more, word = _owners(here[last + 1].text, index)
        step = 1
        between = text[here[last].end : here[last + 1].start]
        if here[last + 1].text == "and" and last + 2 < len(here):
            more, word = _owners(here[last + 2].text, index)
            step, between = 2, text[here[last].end : here[last + 2].start]
        if word in seen or not owners & more or not _JOINED.fullmatch(between):
            break
        owners, last = owners & more, last + step
        seen.add(word)
    shown = next(iter(owners)) if len(owners) == 1 else WITHHELD
    return shown, here[k].start, here[last].end, last + 1


def _owners(word: str, index: _Index) -> tuple[frozenset[str], str]:
    for stem in _stems(word):
        if stem in index.words:
            return index.words[stem], stem
    return frozenset(), word
