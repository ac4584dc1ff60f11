"""The pieces of a response's section by name, worked out for several responses at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from trialkit.pages.elements import Element
from trialkit.pages.helpers import shared
from trialkit.pages.response import estimates, further, holds, model, places
from trialkit.pages.response.asked import Asked

Pieces = dict[str, tuple[Element, ...]]
PIECES: dict[str, Callable[[Asked], Iterable[Element]]] = {
    "answers": estimates.answers,
    "model": model.model,
    "estimates": estimates.estimates,
    "variances": estimates.variances,
    "diagnostics": holds.diagnostics,
    "sensitivity": holds.sensitivity,
    "neighbours": places.neighbours,
    "fields": further.fields,
    "along": further.along,
    "surface": further.surface,
    "power": further.power,
    "brief": holds.brief,
}
# What one process does in one go, the longest first.
FULL = (
    ("diagnostics",),
    ("fields", "along", "surface"),
    ("answers", "model", "estimates", "variances", "sensitivity", "neighbours", "power"),
)
BRIEF = (("brief",),)
Task = tuple[Asked, Sequence[str]]


def tell(task: Task) -> tuple[Pieces, dict[str, Any]]:
    """Some pieces of one response, and what had to be asked for them."""
    asked, names = task
    return {name: tuple(PIECES[name](asked)) for name in names}, asked.answered


def told(every: Mapping[str, Asked], full: Sequence[str], processes: int = 1) -> dict[str, Pieces]:
    """Every piece of every response, by response and piece.

    Parameters
    ----------
    every : mapping of str to Asked
        They keep the answers, wherever these were worked out.
    full : sequence of str
        Responses told in full; the others in brief.
    processes : int
    """
    tasks = [(n, p) for i in range(len(FULL)) for n in full if n in every for p in (FULL[i],)]
    tasks += [(n, p) for n in every if n not in full for p in BRIEF]
    found = shared(tell, [(every[name], pieces) for name, pieces in tasks], processes)
    out: dict[str, Pieces] = {}
    for (name, _), (elements, answered) in zip(tasks, found, strict=True):
        out.setdefault(name, {}).update(elements)
        every[name].keep(answered)
    return out
