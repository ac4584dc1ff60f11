"""The ordinary words that pages are written in: none of them is a name by itself."""

from __future__ import annotations

import pkgutil
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import CodeType

from trialkit import errors
from trialkit.pages.folding import words_of
from trialkit.responses import RESPONSES, SOURCES, TABLES, ZONES

# Rooms whose sentences, captions, keys and columns stand on pages.
_ROOMS = ("words", "responses", "pages", "plots", "header", "analysis", "decide")
_WORD = re.compile(r"[^\W\d_]{2,}")
_LONGER = re.compile(r"[^\W\d_]{3,}")  # of two letters there are marks of formats: "li", "td"
_HAS_DOCSTRING = 0x4000000  # of a function's code, from Python 3.14 on

GENERIC = frozenset({
    "a", "an", "and", "at", "by", "de", "for", "from", "in", "la", "le", "of", "on", "or", "the",
    "to", "und", "van", "von", "with",
    "field", "fields", "farm", "farms", "grower", "growers", "trial", "trials", "strip", "strips",
    "pair", "pairs", "block", "blocks", "plot", "plots", "acre", "acres", "ac", "ha", "corn",
    "sons", "bros", "co",
})  # fmt: skip
"""Words in names that name nobody: they are struck with the whole name alone."""

UNITS = frozenset({
    "acre", "acres", "bushel", "bushels", "hour", "hours", "inch", "inches", "litre", "litres",
    "minute", "minutes", "plants", "row", "rows", "tonne", "tonnes", "ac", "bu", "cm", "ft", "gal",
    "ha", "in", "kg", "km", "lb", "mi", "min", "mm", "mph", "oz", "usd", "eur",
})  # fmt: skip


@cache
def ordinary() -> frozenset[str]:
    """Every word, folded, of the sentences, labels and columns that pages are made of.

    Read from the compiled code of the rooms that write them, docstrings left out, so that there is
    no list to keep beside them.
    """
    found: set[str] = set()
    root = Path(errors.__file__).parent
    for room in _ROOMS:
        word = _WORD if room == "words" else _LONGER
        for code in _codes(root / room, f"trialkit.{room}"):
            for text in _strings(code):
                found.update(word.findall(text.casefold()))
    return frozenset(found | zones())


@cache
def zones() -> frozenset[str]:
    """Words of what is counted where: zones, sources, tables and responses by their names."""
    names = (*ZONES, *SOURCES, *TABLES, *RESPONSES)
    return frozenset(word for name in names for word in words_of(str(name)))


def _codes(folder: Path, package: str) -> Iterator[CodeType]:
    """Compiled code of the modules of a package and of rooms in it; none is imported."""
    for module in pkgutil.iter_modules([str(folder)], f"{package}."):
        spec = module.module_finder.find_spec(module.name, None)  # type: ignore[call-arg]
        get = getattr(spec and spec.loader, "get_code", None)
        code = None if get is None else get(module.name)
        if code is not None:
            yield code
        own = module.name.rpartition(".")[2]
        if module.ispkg and len(own) > 2:  # "es": no report is written in another language
            yield from _codes(folder / own, module.name)


def _strings(code: CodeType) -> Iterator[str]:
    """Text constants of a piece of code and of those in it, without docstrings."""
    constants = list(code.co_consts)
    first = sys.version_info < (3, 14) or code.co_name == "<module>"
    if constants and (first or code.co_flags & _HAS_DOCSTRING) and (
        isinstance(constants[0], str)
    ):  # fmt: skip
        del constants[0]
    for constant in constants:
        if isinstance(constant, CodeType):
            yield from _strings(constant)
        elif isinstance(constant, (tuple, frozenset)):
            yield from (each for each in constant if isinstance(each, str))
        elif isinstance(constant, str):
            yield constant
