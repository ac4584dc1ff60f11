"""Limits on what is read, all in one place: generous for trials, far below what stops a machine.

They stand in `Limits`. The environment variable TRIALKIT_LIMITS raises or lowers any of them for a
command, a notebook and every process either starts: ``file_bytes=3GB,row_chars=5000000``. It is
read each time a limit is asked for, so that a change in a notebook takes effect at once.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, fields, replace
from functools import lru_cache

from trialkit.errors import TrialError
from trialkit.words import limits as words

VARIABLE = "TRIALKIT_LIMITS"
_FACTORS = {"": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9}
_NUMBER = re.compile(r"(\d[\d_]*(?:\.\d+)?(?:e\d{1,2})?) ?([kmg]b)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Limits:
    """The most that is taken of everything; bytes are of 8 bit, a kB, MB, GB is 10^3, 10^6, 10^9.

    Attributes
    ----------
    file_bytes : int
        Size of a file as it lies on disk: a table or a workbook.
    settings_bytes : int
        Size of trial.toml and of a plan described in a file.
    plan_bytes : int
        Size of plan.json.
    unpacked_bytes : int
        A workbook's sheets and texts together, unpacked (an .xlsx is a packed archive).
    memory_bytes : int
        Memory that the tables of one trial may take while they are read, by an estimate from the
        size of its files.
    row_chars : int
        Characters in one row of a table: of a text file in one line, of a sheet in its cells.
    nesting : int
        How deep sections, lists or brackets of a settings file stand within one another.
    outside_links : int
        0: a link in a trial's folder that leads out of it is refused. 1: it is followed.
    """

    file_bytes: int = 1_000_000_000
    settings_bytes: int = 1_000_000
    plan_bytes: int = 50_000_000
    unpacked_bytes: int = 1_000_000_000
    memory_bytes: int = 8_000_000_000
    row_chars: int = 1_000_000
    nesting: int = 50
    outside_links: int = 0


_NAMES = tuple(field.name for field in fields(Limits))


def limits() -> Limits:
    """The limits that hold now.

    Raises
    ------
    TrialError
        When the environment variable holds no limits.
    """
    return _read(os.environ.get(VARIABLE, ""))


@lru_cache(maxsize=8)
def _read(text: str) -> Limits:
    given: dict[str, int] = {}
    for part in filter(None, (p.strip() for p in re.split("[,;]", text))):
        name, _, value = (p.strip() for p in part.partition("="))
        number = _NUMBER.fullmatch(value)
        if name not in _NAMES or number is None:
            raise TrialError(
                f"the environment variable {VARIABLE} holds {part[:60]!r}; write limits as in "
                f"file_bytes=3GB,row_chars=5000000. There are: {', '.join(_NAMES)}"
            )
        factor = _FACTORS[(number[2] or "").lower()]
        given[name] = int(float(number[1].replace("_", "")) * factor)
    return replace(Limits(), **given)


def check_limit(name: str, found: float, where: str) -> None:
    """Refuse what is beyond a limit.

    Parameters
    ----------
    name : str
        A field of `Limits`.
    found : float
        The size found, in the limit's own unit.
    where : str
        The file, and the sheet or line where that is known.

    Raises
    ------
    TrialError
        Saying which limit, what was found and how to raise it.
    """
    most = int(getattr(limits(), name))
    if found > most:
        raise beyond(name, found, where)


def beyond(name: str, found: float, where: str) -> TrialError:
    """The refusal `check_limit` raises, for places that raise it themselves."""
    held = limits()
    raised = _changed(replace(held, **{name: _round_up(found)}))
    return TrialError(words.beyond(name, found, getattr(held, name), where, raised))


def _changed(held: Limits) -> str:
    """The setting of the environment variable that gives these limits."""
    usual = Limits()
    given = [f"{n}={getattr(held, n)}" for n in _NAMES if getattr(held, n) != getattr(usual, n)]
    return f"{VARIABLE}={','.join(given)}"


def _round_up(found: float) -> int:
    """The next number of two figures with room to spare."""
    step = 10 ** max(len(str(int(found))) - 2, 0)
    return (int(found) // step + 1) * step
