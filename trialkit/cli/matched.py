"""Options of commands on many trials: the setups they are compared by, and what means the same."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from trialkit.errors import DesignError

Factors = Annotated[
    list[str] | None,
    typer.Option(
        "--factor",
        help="Setup factor to compare by: one comparison, and one page, is by one set. Given again "
        "it means trials that varied both. Without it: the set that most trials varied.",
    ),
]
Aliases = Annotated[
    list[str] | None,
    typer.Option(
        "--alias",
        help='A name of a factor or level and the one it means: "narrow=Narrow (1-1/8 in)"; may be '
        "given again.",
    ),
]


def _share(level: float) -> float:
    if not 0.01 <= level <= 0.999:
        meant = f": {level:g} % is {level / 100:g}" if 1 < level < 100 else ""
        raise typer.BadParameter(f"a level lies between 0.01 and 0.999{meant}.")
    return level


Level = Annotated[
    float, typer.Option(callback=_share, help="Level of the intervals, as in 0.95 for 95 %.")
]


def aliases_of(given: Sequence[str] | None) -> dict[str, str]:
    """Names that mean the same, to the common name.

    Raises
    ------
    DesignError
        For one that is no pair, and for a name that would mean two things.
    """
    out: dict[str, str] = {}
    for text in given or ():
        name, sign, common = (part.strip() for part in text.partition("="))
        if not (name and sign and common):
            raise DesignError(
                f'--alias takes two names with a sign between them, as in '
                f'--alias "narrow=Narrow (1-1/8 in)"; {text!r} is not so.'
            )
        if out.setdefault(name, common) != common:
            raise DesignError(
                f"--alias says that {name!r} means {out[name]!r} and {common!r}; say one of them."
            )
    return out
