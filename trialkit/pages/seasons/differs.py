"""What trials and fields differ in, and which trials were used."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from trialkit.display import p_is, significant
from trialkit.facts import grade
from trialkit.many import amounts
from trialkit.many.matching import factor_name, normalised
from trialkit.pages.elements import Element, Sentence, Table, table
from trialkit.pages.names import WITHHELD
from trialkit.pages.registry import part
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.words import many as many_words
from trialkit.words import seasons as words
from trialkit.words import seasons_method as told_by
from trialkit.words import seasons_used as used_words


@part("differs", words.TITLES["differs"])
def differs(page: SeasonsContext) -> Iterable[Element]:
    """What moisture, speed, hybrid and season have to do with it, a line each."""
    rows = page.primary.explained
    if rows.empty:
        yield Sentence(words.nothing_tried())
    else:
        told = []
        p = rows.set_index(["variable", "part"])["p_adjusted"]
        for variable in rows["variable"].unique():
            # A test without a side: its p alone grades it.
            own = [float(p.get((variable, part), np.nan)) for part in ("effect", "mean")]
            told.append([many_words.VARIABLES[variable],
                         *(words.signs(grade(v, 1.0, 1.0), v) for v in own)])  # fmt: skip
        head = tuple(words.differs_head(page.primary.title))
        yield Table(words.differs_caption(), head, tuple(map(tuple, told)), (), "cards")
    if len(rows):
        if tried := not_tried(page):
            yield Sentence(page.letters.unlettered(" ".join(tried)), "quiet")
        yield Sentence(words.not_by_lot(), "quiet")


def not_tried(page: SeasonsContext) -> list[str]:
    """That variables could not be tried, and why."""
    return list(map(words.not_tried, notes_not_tried(page)))


def notes_not_tried(page: SeasonsContext) -> list[str]:
    """The comparison's own notes on them."""
    tried = set(page.primary.explained["variable"])
    left = [name for name in many_words.VARIABLES if name not in tried]
    begins = tuple(many_words.VARIABLES[name].split()[-1].lower() for name in left)
    return [n for n in page.primary.notes if " tried: " in n and any(
        word in n.partition(" tried: ")[0].lower() for word in begins)]  # fmt: skip


@part("differs", words.TITLES["differs"])
def explained(page: SeasonsContext) -> Iterable[Element]:
    """The same as a table for the referee."""
    rows = page.primary.explained
    if len(rows):
        yield table(told_by.explained_caption(page.percent), told_by.EXPLAINED_HEAD,
                    map(_row, rows.to_dict("records")))  # fmt: skip
        yield Sentence(words.not_by_lot(), "quiet")
    if tried := not_tried(page):
        yield Sentence(page.letters.unlettered(" ".join(tried)), "quiet")


def _row(row: dict) -> list[str]:
    slope = ""
    if np.isfinite(row["slope"]):
        value, low, high = (significant(row[c], 2) for c in ("slope", "slope_low", "slope_high"))
        slope = f"{value} ({low} to {high})"
    return [
        many_words.VARIABLES[row["variable"]], row["part"], str(row["n_strips"]), slope,
        str(row["test"]), *(p_is(float(row[p])).removeprefix("= ") for p in ("p", "p_adjusted")),
        significant(row["sd_before"], 2), significant(row["sd_after"], 2),
    ]  # fmt: skip


@part("used", words.TITLES["used"])
def used(page: SeasonsContext) -> Iterable[Element]:
    """Every trial: used in full, in part, or left out, and why."""
    return _used(page, False)


@part("used", words.TITLES["used"])
def used_by(page: SeasonsContext) -> Iterable[Element]:
    """The same for who makes the page, with what to type so that more can be used."""
    return _used(page, True)


def _used(page: SeasonsContext, commands: bool) -> Iterable[Element]:
    letters = page.letters
    order = page.primary.trials.sort_values(["season", "trial"]).index
    real = [*page.primary.trials.loc[order, "trial"], *page.primary.skipped["trial"]]
    own = [letters.own_fields(trial) if page.own else [] for trial in real]
    trials, skipped = letters.table(page.primary.trials), letters.table(page.primary.skipped)
    rows: list[tuple[str, ...]] = []
    for row in trials.loc[order].to_dict("records"):
        note = row["note"] if isinstance(row["note"], str) else ""
        told = used_words.in_part(note) if note else used_words.in_full()
        rows.append((row["trial"], *_size(row, own[len(rows)]), letters.text(told)))
    for row in skipped.to_dict("records"):
        why = "" if row["reason"] == WITHHELD else row["reason"]
        why = why if commands else used_words.without_commands(why)
        told = used_words.left_out(row["kind"], why)
        rows.append((row["trial"], *_size(row, own[len(rows)]), letters.text(told)))
    marks = tuple(bool(fields and page.others) for fields in own)
    yield Table(used_words.used_caption(any(marks)), tuple(used_words.USED_HEAD), tuple(rows),
                marks, "cards")  # fmt: skip
    if pairs := _aliases(page):
        yield Sentence(letters.text(used_words.same_words(pairs)), "quiet")


def _size(row: dict, own: list[str]) -> tuple[str, str, str]:
    """Season, fields and strips of a trial; "" where they are not known."""
    known = ["" if pd.isna(row[c]) else str(row[c]) for c in ("season", "n_fields", "n_strips")]
    if own:
        known[1] = used_words.fields_in_trial(own, int(row["n_fields"]) - len(own))
    return known[0], known[1], known[2]


def _aliases(page: SeasonsContext) -> list[tuple[str, str]]:
    """Names of setups that trials wrote otherwise, with what they were read as."""
    found: dict[tuple[str, str], None] = {}
    factors = page.primary.factors
    for config in page.primary.settings.values():
        for setup in config.setups:
            common = factor_name(setup.name, page.primary.aliases)
            for level in setup.levels:
                name = normalised(level, page.primary.aliases)
                known = amounts.labels(page.primary, common)[1] if common in factors else {}
                if name != normalised(level, {}) and name in known:
                    found[level, known[name]] = None
    return list(found)
