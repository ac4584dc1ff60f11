"""Words of pages over seasons: which trials and fields were used, lost strips or were left out, and
whose names stand."""

from __future__ import annotations

import re
from collections.abc import Sequence

from trialkit.facts import Grade
from trialkit.quantities import listed, lower_first
from trialkit.words.counts import counted

_SENTENCE = re.compile(r"(?<=[.!?])\s+")


def page_names_some(grower: str) -> str:
    """On a grower's page where some of the others agreed to be named."""
    return (
        f"This page names {grower}, and others where the growers of a trial agreed to be named; "
        f"the rest go by letters. It is for {grower} to pass on."
    )


def lettered_some() -> str:
    """What stands for others' names, where some agreed."""
    return "Fields of other growers go by letters, save in trials whose growers agreed to be named."


def names_some(own: bool) -> str:
    """The same at a page's foot."""
    who = "other growers and their fields" if own else "growers and fields"
    return f"Names of {who} are letters, save in trials whose growers agreed to be named."


def all_left_out(grower: str, trials: Sequence[tuple[str, str]]) -> str:
    """Error: a grower all of whose trials were left out; trials with why."""
    told = " ".join(f"{name}: {why}" for name, why in trials)
    was = "was" if len(trials) == 1 else "were"
    return (
        f"{grower} has {counted(len(trials), 'trial')} here, which {was} left out of this "
        f"comparison, so there is no page of them. {told}"
    )


def to_settle() -> str:
    """What to do about what is not settled."""
    return (
        "What is not settled takes more trials of the same setups, on other fields and in other "
        "seasons, rather than more strips in the same fields."
    )


def without_commands(why: str) -> str:
    """A reason without what is typed at a command line, for readers who do not make the page."""
    return " ".join(s for s in _SENTENCE.split(why) if "--" not in s)


def fields_in_trial(own: Sequence[str], others: int) -> str:
    """The reader's fields in a trial, and how many of others."""
    rest = [f"{others} of others"] if others else []
    return listed([*own, *rest])


USED_HEAD = ["trial", "season", "fields", "strips", "used"]


def used_caption(mine: bool) -> str:
    """Over the trials."""
    own = "; in bold those with my fields" if mine else ""
    return f"Trials in the comparison, and those left out{own}"


def in_full() -> str:
    """A trial all of whose strips were used."""
    return "in full"


def in_part(why: str) -> str:
    """A trial of which strips were left out."""
    return f"in part: {lower_first(why)}"


def left_out(kind: str, why: str) -> str:
    """A trial that was not used; without `why` where that may not be told."""
    if not why and kind == "unreadable":
        why = "its files could not be read; why is told to who makes this page, for it quotes them"
    return f"left out: {lower_first(why) if why else kind}"


def used_in_short(full: int, part: int, out: int) -> str:
    """How many trials were used."""
    parts = [f"{counted(full, 'trial')} used in full"]
    if part:
        parts.append(f"{part} in part")
    if out:
        parts.append(f"{out} left out")
    why = "; below is why" if part or out else ""
    return f"{listed(parts)}{why}."


def strips_lost(
    lost: int, of: int, refused: int, fates: Sequence[tuple[str, int]],
    setups: Sequence[tuple[str, int, int]], most: str,
) -> str:  # fmt: skip
    """What a trial lost of its strips, by what became of them and by setup.

    Parameters
    ----------
    lost, of : int
    refused : int
        Of the lost, rows of the strips table that were refused.
    fates : sequence of (str, int)
        Status as its users gave it, and strips.
    setups : sequence of (str, int, int)
        Setup in words, its strips lost, its strips.
    most : str
        Value of the strongest grade the trial may be told with, "" without a limit.
    """
    told = [f"{n} {fate}" for fate, n in fates]
    told += [f"{refused} refused on reading"] if refused else []
    rest = lost - refused - sum(n for _, n in fates)
    told += [f"{rest} without a count"] if rest > 0 else []
    every = listed([f"{lower_first(label)} lost {n} of {all_}" for label, n, all_ in setups])
    why = {"": "", Grade.OPEN.value: " That is a third or more, and by setup more than chance "
           "explains: by itself the trial tells no difference.",
           Grade.LEANING.value: " That is a third or more: by itself the trial would be told as "
           "likely at most."}[most]  # fmt: skip
    return f"{lost} of {of} strips lost ({listed(told)}): {every}.{why}"


def trials_that_lost(
    trials: Sequence[tuple[str, int, int]], strips: int, of: int, most: str
) -> str:
    """Trials that lost a third or more of their strips, and what follows for the mean over all.

    Parameters
    ----------
    trials : sequence of (str, int, int)
        What it is called, strips lost, strips.
    strips, of : int
        Strips compared that are theirs, and all.
    most : str
        As `strips_lost`, of the mean.
    """
    each = listed([f"{name} ({lost} of {all_})" for name, lost, all_ in trials])
    whose, hold = ("its", "It holds") if len(trials) == 1 else ("their", "They hold")
    begin = f"{each} lost a third or more of {whose} strips. {hold} {strips} of the {of} strips "
    if not most:
        return (
            f"{begin}compared, fewer than a third, so the mean over all trials is told no weaker "
            "for it."
        )
    what = "likely at most" if most == Grade.LEANING.value else "no difference"
    return (
        f"{begin}compared, a third or more: strips may be missing for a reason that has to do with "
        f"the setup, so the mean is told as {what}, whatever its p."
    )


def same_words(pairs: Sequence[tuple[str, str]]) -> str:
    """Names that were taken to mean the same."""
    told = "; ".join(f"{own} as {common}" for own, common in pairs)
    return f"Names that trials called otherwise were read as one: {told}."


def told_in_part(what: str) -> str:
    """The terminal: a trial of which strips were left out."""
    return f"In part: {what}"


def told_left_out(what: str) -> str:
    """The terminal: a trial that was not used."""
    return f"Left out: {what}"
