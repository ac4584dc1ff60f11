"""Files stay readable: about 400 lines, functions of 60 lines of code at most, or a reason."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest
from test_layers import PACKAGE, SOURCES

MOST_LINES, MOST_CODE = 400, 60
REASON = "# Long: "


def too_long(source: str) -> Iterator[str]:
    """Functions with more code (docstring aside) than that and no reason on a line above them."""
    lines = source.splitlines()
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        first = node.body[0]
        told = ast.get_docstring(node) is not None
        doc = (first.end_lineno or 0) - first.lineno + 1 if told else 0
        long = (node.end_lineno or 0) - node.lineno + 1 - doc
        top = min([node.lineno, *(d.lineno for d in node.decorator_list)])
        if long > MOST_CODE and not lines[top - 2].startswith(REASON):
            yield f"{node.name}: {long} lines"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_and_functions_are_short(path) -> None:
    source = path.read_text(encoding="utf-8")
    assert len(source.splitlines()) <= MOST_LINES
    assert not list(too_long(source))


def test_a_long_function_is_found_unless_it_says_why() -> None:
    body = "    x = 1\n" * 60
    assert list(too_long(f'def f():\n    """Told."""\n{body}')) == ["f: 61 lines"]
    assert not list(too_long(f"# Long: it is one machine.\n@g\ndef f():\n{body}"))
    assert not list(too_long("def f():\n" + body.removesuffix("    x = 1\n")))
