"""Which strips a crew counts, where several share a trial."""

from __future__ import annotations

from typing import Any

from trialkit.errors import ReportError
from trialkit.pages.field_paper.crew import order_rows
from trialkit.pages.field_paper.source import FieldTrial


def shared(trial: FieldTrial, crews: int) -> list[list[str]]:
    """Strips of each crew in the order of work.

    Blocks (pairs of a field) stay whole, since the same people count all strips of a block, and
    follow one another as they are run; crews have about as many strips each.

    Raises
    ------
    ReportError
        For fewer crews than one, or more than there are blocks.
    """
    blocks: dict[tuple[str, str], list[str]] = {}
    for row in trial.strips[["strip", "field", "pair"]].astype(str).itertuples(index=False):
        blocks.setdefault((row.field, row.pair), []).append(row.strip)
    if not 1 <= crews <= len(blocks):
        raise ReportError(
            f"There are {len(blocks)} blocks, whose strips the same people count: choose 1 to "
            f"{len(blocks)} crews, not {crews}."
        )
    out: list[list[str]] = [[] for _ in range(crews)]
    every, at = len(trial.strips), 0
    for n, strips in enumerate(blocks.values()):
        done = sum(map(len, out[: at + 1]))
        left = len(blocks) - n
        # The next crew begins where this one has its share, or where each left needs a block.
        full = done + len(strips) / 2 > every * (at + 1) / crews
        if out[at] and at + 1 < crews and (full or left <= crews - at - 1):
            at += 1
        out[at] += strips
    return out


def tasks(trial: FieldTrial, crew: int, crews: int) -> tuple[set[str], list[str]]:
    """Fields whose stalks and ear butts a crew takes, with "" for the header: the first's to check.

    A field is the first crew's that has a strip in it. Then what the page says of whose they are.
    """
    whose: dict[str, int] = {}
    fields = dict(zip(trial.strips["strip"].astype(str), trial.strips["field"].astype(str),
                      strict=True))  # fmt: skip
    for n, strips in enumerate(shared(trial, crews), start=1):
        for strip in strips:
            whose.setdefault(fields[strip], n)
    own = {field for field, n in whose.items() if n == crew} | ({""} if crew == 1 else set())
    said = [trial.say("screen.header_given", 1, crew == 1)] if crews > 1 else []
    said += [trial.say("screen.ground_given", field, n) for field, n in whose.items() if n != crew]
    return own, said


def steps_of(trial: FieldTrial, strips: list[str], blind: bool) -> list[dict[str, Any]]:
    """The order of work as one crew meets it: its strips, and the pauses before them.

    Where strips are shared out, a pause stands only between strips of the crew whose setups differ.
    """
    own, out, waits, day = set(strips), list[dict[str, Any]](), None, ""
    names = [f.name for f in trial.config.setups]
    rows = trial.strips.set_index(trial.strips["strip"].astype(str))[names]
    setup = {str(name): tuple(row) for name, *row in rows.itertuples()}
    shares, before = len(own) < len(setup), ""
    for step in order_rows(trial, blind):
        day = step["day"] or day
        if step["change"]:
            waits = step
        elif step["strip"] in own:
            if shares and (not before or setup[before] == setup[step["strip"]]):
                waits = None
            before = step["strip"]
            out += [{**waits, "day": day}] if waits else []
            out.append({**step, "day": "" if waits else day})
            waits, day = None, ""
    return out
