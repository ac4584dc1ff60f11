"""No file needs a file that needs it: imports for types and inside functions count."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from pathlib import Path

import trialkit

PACKAGE = Path(trialkit.__file__).parent


def sources(package: Path) -> dict[str, Path]:
    """Modules of a package by their dotted names; a package's own is its ``__init__``."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        # The wheel also carries the notebooks and the demo data, which are no modules.
        if "_share" in path.parts:
            continue
        parts = path.relative_to(package.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def needs(name: str, modules: Mapping[str, Path]) -> set[str]:
    """Modules of the package that a module imports from, wherever in the file it does."""
    path, found = modules[name], set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {_known(alias.name, modules) for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = name.split(".") if path.stem == "__init__" else name.split(".")[:-1]
                here = here[: len(here) - node.level + 1]
                base = ".".join([*here, base] if base else here)
            # A name of a package is a file of its own, or comes from the package's ``__init__``.
            found |= {_known(f"{base}.{alias.name}", modules) for alias in node.names}
    return found - {"", name}


def _known(wanted: str, modules: Mapping[str, Path]) -> str:
    """The module that a dotted name lies in; empty where it is none of the package."""
    while wanted and wanted not in modules:
        wanted = wanted.rpartition(".")[0]
    return wanted


def circles(needed: Mapping[str, set[str]]) -> list[list[str]]:
    """Sets of modules that all need each other, directly or through others, largest first.

    Strongly connected components, by Tarjan (1972, SIAM J. Comput. 1:146-160).
    """
    number: dict[str, int] = {}
    lowest: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(module: str) -> None:
        number[module] = lowest[module] = len(number)
        stack.append(module)
        for other in sorted(needed[module]):
            if other not in number:
                visit(other)
                lowest[module] = min(lowest[module], lowest[other])
            elif other in stack:
                lowest[module] = min(lowest[module], number[other])
        if lowest[module] == number[module]:
            at = stack.index(module)
            if len(stack) - at > 1:
                found.append(sorted(stack[at:]))
            del stack[at:]

    for module in needed:
        if module not in number:
            visit(module)
    return sorted(found, key=len, reverse=True)


def circles_of(package: Path) -> list[list[str]]:
    modules = sources(package)
    return circles({name: needs(name, modules) for name in modules})


def test_planted_circles_are_found(tmp_path: Path) -> None:
    """Through types, inside functions, relative, and through the names of a package."""
    files = {
        "__init__.py": "", "low.py": "import math\n",
        "types.py": "import typing\nif typing.TYPE_CHECKING:\n    from toy.use import A\n",
        "use.py": "from toy.types import B\nfrom toy.low import C\n",
        "one.py": "def f():\n    import toy.room.two\n",
        "room/__init__.py": "from toy.room.face import D\n",
        "room/face.py": "from . import inner\n", "room/inner.py": "from toy.room import D\n",
        "room/two.py": "from .. import low\nfrom ..one import f\n",
        "alone.py": "from toy import low, room\nfrom toy.use import A\n",
    }  # fmt: skip
    for name, text in files.items():
        path = tmp_path / "toy" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    assert sorted(circles_of(tmp_path / "toy")) == [
        ["toy.one", "toy.room.two"], ["toy.room", "toy.room.face", "toy.room.inner"],
        ["toy.types", "toy.use"],
    ]  # fmt: skip
    (tmp_path / "toy" / "types.py").write_text("")
    assert ["toy.types", "toy.use"] not in circles_of(tmp_path / "toy")


def test_no_file_needs_a_file_that_needs_it() -> None:
    held = circles_of(PACKAGE)
    listed = "\n".join(f"{len(circle)} files: {', '.join(circle)}" for circle in held)
    assert not held, f"these files need each other:\n{listed}"
