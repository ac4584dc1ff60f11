"""Rooms import only from rooms below them. This is the one list of the layers."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import trialkit

# From the top down. A room may import from any room below its own line, never from beside it.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("__main__",),
    ("cli",),
    ("pages",),
    ("plots", "demo"),
    ("decide", "plan"),
    ("many",),
    ("analysis",),
    ("simulate", "header", "contradictions"),
    ("trial",),
    ("losses",),
    ("intake",),
    ("responses",),
    ("words",),
    ("facts",),
    ("quantities",),
    ("units",),
    # Mathematics that knows nothing of corn.
    ("mixed", "randomisation"),
    # What everyone may use.
    ("mapping",),
    ("display", "ending", "errors", "version"),
)
# Stricter than the order: who may know of these rooms at all.
KNOWN_BY = {"mixed": {"analysis", "many"}, "randomisation": {"analysis"}}

PACKAGE = Path(trialkit.__file__).parent
DEPTH = {room: depth for depth, rooms in enumerate(LAYERS) for room in rooms}


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


SOURCES = sorted(
    path
    for path in PACKAGE.rglob("*.py")
    # The wheel also carries the notebooks and the demo data, which are no rooms.
    if path != PACKAGE / "__init__.py" and "_share" not in path.parts
)


def imported_rooms(source: str) -> set[str]:
    """Rooms of trialkit a module imports from, wherever in the module it does."""
    rooms = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            rooms |= {a.name.split(".")[1] for a in node.names if a.name.startswith("trialkit.")}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the room they come from"
            if node.module == "trialkit":
                rooms |= {a.name for a in node.names if a.name in DEPTH}
            elif (node.module or "").startswith("trialkit."):
                rooms.add(str(node.module).split(".")[1])
    return rooms


def test_reader_of_imports_sees_every_form() -> None:
    source = (
        "import trialkit.units\nfrom trialkit import losses, __version__\n"
        "def f():\n    from trialkit.mixed.fit import fit_mixed\n"
    )
    assert imported_rooms(source) == {"units", "losses", "mixed"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_downward(path: Path) -> None:
    room = _room(path)
    assert room in DEPTH, f"{room} is not in the list of layers"
    for other in imported_rooms(path.read_text(encoding="utf-8")) - {room}:
        assert other in DEPTH, f"{other} is not in the list of layers"
        assert DEPTH[other] > DEPTH[room], f"{room} imports {other}, which is not below it"
        assert room in KNOWN_BY.get(other, {room}), f"{room} must not know of {other}"
