"""Strips a trial lost, and how strong what is left may be told.

What is lost is rows of the strips table that were refused, and strips without a row of the response
in question; a strip that somebody left out on purpose is lost like any other. A model takes the
strips it has for all there would have been, which holds only where losing a strip has nothing to do
with its setup: a setup that plugs, or that was hard to set, loses its worst strips first, and the
rest looks the better for it. Nothing in the counts can tell. So the p-value stays what it is, and
what is told of it has a ceiling:

- with a third or more of the strips lost nothing is told as found: a difference is at most
  "leaning", whatever its p (a third is this project's choice);
- where moreover more strips of one setup were lost than of another than chance explains (Fisher's
  exact test, level 0.05 over the pairs of levels of all factors, Bonferroni), losing a strip had to
  do with the setup, and nothing is told apart: "open".
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

from trialkit.facts import Grade, Note
from trialkit.responses import RESPONSES, TABLES

if TYPE_CHECKING:
    from trialkit.trial import Trial

MANY = 1 / 3
UNEQUAL = 0.05


@dataclass(frozen=True, slots=True)
class Lost:
    """Strips that are not in the comparison of a response.

    Attributes
    ----------
    of : int
        Strips that rows of the strips table were filled in for.
    refused, without : int
        Rows of that table that were refused; strips without a row of the response.
    what : str
        Its title; "" for anything measured at all.
    setups : tuple of (str, int, int)
        Level of a factor in words, its strips without such a row, its strips.
    unequal : bool
        Whether losses of levels differ by more than chance.
    waiting : bool
        Whether rows of the trial are still to be filled in.
    """

    of: int
    refused: int
    without: int
    what: str
    setups: tuple[tuple[str, int, int], ...]
    unequal: bool
    waiting: bool = False

    @property
    def many(self) -> bool:
        """Whether a third or more of the strips is lost."""
        return self.of > 0 and (self.refused + self.without) / self.of >= MANY

    @property
    def most(self) -> Grade | None:
        """The strongest grade that may be told; None without a limit."""
        if not self.many:
            return None
        return Grade.OPEN if self.unequal else Grade.LEANING

    @property
    def notes(self) -> tuple[Note, ...]:
        """What is to be said in the first lines; empty where no third is lost."""
        if not self.many:
            return ()
        values = {"refused": self.refused, "without": self.without, "of": self.of,
                  "what": self.what, "waiting": self.waiting}  # fmt: skip
        out = [Note("contradictions.lost", values)]
        if len({lost * 1000 // max(of, 1) for _, lost, of in self.setups}) > 1:
            out.append(
                Note("contradictions.lost_by_setup",
                     {"setups": self.setups, "unequal": self.unequal})
            )  # fmt: skip
        return (*out, Note("contradictions.lost_so", {"unequal": self.unequal, "what": self.what}))


def lost_strips(trial: Trial, response: str | None = None) -> Lost:
    """Strips lost to a response, or to the whole trial.

    Parameters
    ----------
    trial : Trial
    response : str, optional
        One of `trialkit.responses.RESPONSES`; without it a strip is lost where nothing that is a
        response was measured on it. What a strip's status leaves out is lost too.
    """
    tables = trial.used.tables  # less what a strip's status leaves out
    if response is not None:
        record = RESPONSES[response]
        return _lost(trial, record.rows(tables)["strip"].unique(), record.title)
    measured: set[str] = set()
    for record in RESPONSES.values():
        if record.table == "strips":
            measured.update(record.rows(tables)["strip"])
    for name, layout in TABLES.items():
        if layout.response and "strip" in tables[name]:
            measured.update(tables[name]["strip"].unique())
    return _lost(trial, measured, "")


def _unequal(lost: int, of: int, other: int, others: int) -> float:
    """Two-sided p of Fisher's exact test: strips lost of two levels. Summed here, for the library
    that has it takes longer to load than a trial to check."""
    gone = lost + other
    ways = [comb(of, k) * comb(others, gone - k) for k in range(gone + 1)]
    return sum(way for way in ways if way <= ways[lost]) / comb(of + others, gone)


def _lost(trial: Trial, measured: Iterable[str], what: str) -> Lost:
    strips = trial.strips
    read = trial.read[trial.read["table"] == "strips"]
    refused = int(read["rows_refused"].sum()) if len(read) else 0
    without = ~strips["strip"].isin(set(measured))
    setups: list[tuple[str, int, int]] = []
    tests = []
    for factor in trial.config.setups:
        own = []
        for level in factor.levels:
            here = strips[factor.name].astype(str) == level
            if here.any():
                own.append((factor.in_words(level), int((here & without).sum()), int(here.sum())))
        setups += own
        tests += [_unequal(a, n, b, m) for (_, a, n), (_, b, m) in combinations(own, 2)]
    unequal = bool(tests) and min(tests) * len(tests) < UNEQUAL
    return Lost(
        len(strips) + refused, refused, int(without.sum()), what, tuple(setups), unequal,
        bool(trial.to_fill),
    )  # fmt: skip
