"""Finds sentences in a source: what a user could read and `trialkit.words` should say.

``python tests/sentences.py trialkit/plan`` lists those of a file or folder.
"""

from __future__ import annotations

import ast
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path

# Four words in a row, the first of two letters or more.
SENTENCE = re.compile(r"(?:\b[A-Za-z][a-z'’]+[,;:]? )(?:[A-Za-z][a-z'’-]*[,;:]? ){2,}[a-z'’-]{2,}")


def in_python(source: str) -> Iterator[tuple[int, str]]:
    """Line and text of every sentence in Python: docstrings, what is raised, help of a command's
    options and mathematics aside."""
    tree = ast.parse(source)
    passed: set[int] = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):  # docstrings, and those of attributes
            passed |= {id(s.value) for s in body if isinstance(s, ast.Expr)}
        if isinstance(node, ast.Raise):
            passed |= {id(inner) for inner in ast.walk(node)}
        if isinstance(node, ast.keyword) and node.arg == "help":
            passed |= {id(inner) for inner in ast.walk(node.value)}
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sign":
            passed |= {id(inner) for inner in ast.walk(node)}  # mathematics for LaTeX and Typst
    for node in ast.walk(tree):
        if id(node) in passed:
            continue
        if isinstance(node, ast.JoinedStr):
            passed |= {id(inner) for inner in ast.walk(node)}
            text = "".join(
                str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if SENTENCE.search(text):
            yield node.lineno, text


def in_script(source: str) -> Iterator[tuple[int, str]]:
    """Likewise in a page's script or a print template: comments aside, all that is quoted."""
    bare = re.sub(r"/\*.*?\*/|(?<![:\"'])//[^\n]*", lambda m: "\n" * m[0].count("\n"), source,
                  flags=re.S)  # fmt: skip
    for found in re.finditer(r"\"[^\"\n]*\"|'[^'\n]*'|`[^`]*`|\[[^\]\n]*\]", bare):
        if SENTENCE.search(found[0]):
            yield bare.count("\n", 0, found.start()) + 1, found[0]


def in_file(path: Path) -> list[tuple[int, str]]:
    """Sentences of a file by its kind; of a notebook, those of its code."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".ipynb":
        cells = json.loads(text)["cells"]
        text = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")
    return list((in_script if path.suffix in (".js", ".typ") else in_python)(text))


if __name__ == "__main__":
    for given in map(Path, sys.argv[1:]):
        files = sorted(given.rglob("*.py")) if given.is_dir() else [given]
        for file in files:
            for line, text in in_file(file):
                print(f"{file}:{line}: {' '.join(text.split())[:140]}")
