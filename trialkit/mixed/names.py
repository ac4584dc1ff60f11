"""Columns whose names are functions of the formula language: ``C``, ``log``, ``Treatment``, ...

formulaic looks such names up among its own functions first. In a formula they are columns unless
they are called, have an attribute, or name the contrasts of a factor; columns are handed to
formulaic under names with a mark at the end that no one types, and the mark is taken off whatever
it gives back.
"""

from __future__ import annotations

import ast
import builtins
import re
from collections.abc import Iterable

from formulaic.transforms import TRANSFORMS

# A letter, so that it may stand in a name (a click of Khoisan languages).
MARK = "\N{LATIN LETTER RETROFLEX CLICK}"
TAKEN = frozenset(TRANSFORMS)
# What is quoted, or a name and what stands about it.
_WORDS = re.compile(
    r"""(?P<text>"[^"]*"|'[^']*')|`(?P<quoted>[^`]*)`"""
    r"""|(?P<before>[,=]\s*)?(?<![\w.])(?P<name>[^\W\d]\w*)(?P<after>(?=\s*(?:\(|\.|=(?!=))))?"""
)


def marked(formula: str) -> str:
    """The formula with a mark on every column that has the name of a function."""

    def one(found: re.Match[str]) -> str:
        quoted, name = found["quoted"], found["name"]
        if quoted is not None:
            return f"`{column(quoted)}`"
        if name not in TAKEN or found["after"] is not None:
            return found[0]
        # C(setup, Sum): contrasts, capitalised as they are in patsy.
        if found["before"] and name[0].isupper() and name not in ("C", "I", "Q"):
            return found[0]
        return f"{found['before'] or ''}{column(name)}"

    return _WORDS.sub(one, formula)


def column(name: str) -> str:
    """The name formulaic gets for a column."""
    return name + MARK if name in TAKEN else name


def plain(text: str) -> str:
    """Text of formulaic's with the user's names."""
    return text.replace(MARK, "")


def called_with(expressions: Iterable[str]) -> set[str]:
    """Names that Python expressions read and do not call.

    formulaic leaves out the arguments of functions with a memory, such as ``poly``.
    """
    found: set[str] = set()
    for expression in expressions:
        try:
            tree = ast.parse(expression, mode="eval")
        except SyntaxError:  # a quoted name: formulaic finds that one itself
            continue
        used = [n for n in ast.walk(tree) if isinstance(n, ast.Call | ast.Attribute)]
        heads = {id(n.func if isinstance(n, ast.Call) else n.value) for n in used}
        names = [n for n in ast.walk(tree) if isinstance(n, ast.Name) and id(n) not in heads]
        found |= {n.id for n in names if n.id not in TAKEN and not hasattr(builtins, n.id)}
    return found
