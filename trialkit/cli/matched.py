"""Options of commands on many trials: the setups they are compared by, and what means the same."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from trialkit.errors import DesignError

Factors = Annotated[
    list[str] | None,
    typer.Option("--factor", help="Setup factor to compare by; may be given again."),
]
Aliases = Annotated[
    list[str] | None,
    typer.Option(
        "--alias",
        help='A name of a factor or level and the one it means: "narrow=Narrow (1-1/8 in)"; may be '
        "given again.",
    ),
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
