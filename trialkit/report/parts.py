"""The parts of a response's section by name, worked out for several responses at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from trialkit.report import further
from trialkit.report.detail import Detail
from trialkit.report.helpers import shared

PARTS: dict[str, Callable[[Detail], str]] = {
    "answers": Detail.answers,
    "model": Detail.model,
    "estimates": Detail.estimates,
    "variances": Detail.variances,
    "diagnostics": Detail.diagnostics,
    "sensitivity": Detail.sensitivity,
    "fields": further.fields,
    "along": further.along,
    "surface": further.surface,
    "power": further.power,
    "brief": Detail.brief,
}
# What one process does in one go, the longest first.
FULL = (
    ("diagnostics",),
    ("fields", "along", "surface"),
    ("answers", "model", "estimates", "variances", "sensitivity", "power"),
)
BRIEF = (("brief",),)
Task = tuple[Detail, Sequence[str]]


def tell(task: Task) -> tuple[dict[str, str], dict[str, Any]]:
    """HTML of some parts of one response, and what had to be asked for them."""
    detail, names = task
    return {name: PARTS[name](detail) for name in names}, detail.answered


def told(
    details: Mapping[str, Detail], full: Sequence[str], processes: int = 1
) -> dict[str, dict[str, str]]:
    """HTML of every part of every response, by response and part.

    Parameters
    ----------
    details : mapping of str to Detail
        They keep the answers, wherever these were worked out.
    full : sequence of str
        Responses told in full; the others in brief.
    processes : int
    """
    tasks = [(n, p) for i in range(len(FULL)) for n in full if n in details for p in (FULL[i],)]
    tasks += [(n, p) for n in details if n not in full for p in BRIEF]
    found = shared(tell, [(details[name], parts) for name, parts in tasks], processes)
    out: dict[str, dict[str, str]] = {}
    for (name, _), (html, answered) in zip(tasks, found, strict=True):
        out.setdefault(name, {}).update(html)
        details[name].keep(answered)
    return out
