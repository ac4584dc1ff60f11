"""Which trials can be compared by which setups, as terminal and errors tell it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trialkit.quantities import listed
from trialkit.words.counts import counted, some_of
from trialkit.words.many import by_name

_LISTED = 10


def factors_found(varied: Mapping[str, int], compared_by: Sequence[str] = ()) -> str:
    """Which factors trials varied, how many each, and how to ask for one; "" where no other than
    those compared was found."""
    if not set(varied) - set(compared_by):
        return ""
    (first, most), *rest = varied.items()
    found = [f"{first} in {counted(most, 'trial')}", *(f"{f} in {n:,}" for f, n in rest)]
    by = f"Compared by {listed(list(compared_by))}. " if compared_by else ""
    other = next(factor for factor in varied if factor not in compared_by)
    return (
        f"{by}One comparison, and one page, is by one set of factors, which all its trials varied. "
        f"Found: {', '.join(found)}. To compare by another: --factor {_quoted(other)} (in Python "
        "factors=)."
    )


def _quoted(name: str) -> str:
    """A name as a shell takes it for one."""
    return name if name.isalnum() else f'"{name}"'


def too_few(
    found: int, usable: int, asked: Sequence[str], varied: Mapping[str, int],
    reasons: Sequence[tuple[str, str]], unmet: Mapping[str, Sequence[str]],
) -> str:  # fmt: skip
    """Error: fewer than two trials can be compared, in lines.

    Parameters
    ----------
    found, usable : int
        Trials.
    asked : sequence of str
        Factors that were asked for.
    varied : mapping of str to int
        Trials that varied each factor.
    reasons : sequence of (trial, reason)
        Why trials cannot be used.
    unmet : mapping of str to sequence of str
        As `met_nothing`, by name.
    """
    lines = [
        "A comparison needs two trials at least that vary the same setups; of "
        f"{found} found, {usable} can be used."
    ]
    if strange := [factor for factor in asked if factor not in varied]:
        lines.append(f"No trial varied {' or '.join(strange)}.")
    elif len(asked) > 1:
        lines.append(
            f"{usable or 'No'} trial that can be used varied "
            f"{listed(list(asked))} together, which --factor given more than once asks for. For a "
            "comparison by each, ask for one at a time."
        )
    if strange or len(varied) > 1:
        lines.append(factors_found(varied))
    lines += [met_nothing(name, near) for name, near in unmet.items()]
    trials_by: dict[str, list[str]] = {}
    for trial, reason in reasons:
        trials_by.setdefault(reason, []).append(trial)
    told = list(trials_by.items())
    for reason, trials in told[:_LISTED]:
        each = ", each" if len(trials) > 1 else ""
        lines.append(f"- {by_name(some_of(trials) + each, reason)}")
    if left := sum(len(trials) for _, trials in told[_LISTED:]):
        lines.append(f"- and {counted(left, 'trial')} more")
    return "\n".join(filter(None, lines))


def met_nothing(name: str, near: Sequence[str]) -> str:
    """An alias whose name no trial uses; `near` is spelt much alike."""
    like = f" Spelt much alike: {', '.join(map(repr, near))}." if near else ""
    return (
        f"--alias: no trial that was read has a factor or level called {name!r}; that alias "
        f"changes nothing.{like}"
    )
