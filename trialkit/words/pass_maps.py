"""The map of a plan's passes in words: its legend, its axes, what it shows."""

from __future__ import annotations

from collections.abc import Sequence


def continued(field: str) -> str:
    return f"{field}, continued"


def on_fields(fields: int) -> str:
    return "one field" if fields == 1 else f"{fields} fields"


def passes(strips: int, blocks: int, layout: str, fields: int) -> str:
    kind = "pairs" if layout == "pairs" else "blocks"
    return f"{strips} strips in {blocks} {kind} on {on_fields(fields)}, by position."


def pass_map(
    summary: str, setups: Sequence[tuple[str, str]], blocks: Sequence[tuple[str, str, str]],
    left_out: Sequence[tuple[int, str]],
) -> str:  # fmt: skip
    """What the map of passes shows: letters and setups, blocks with their passes, what is not
    counted."""
    parts = ["Map of the passes, to scale.", summary]
    parts += [f"Setup {letter}: {words}." for letter, words in setups]
    parts += [f"{field}, {block}: {runs}." for field, block, runs in blocks]
    if left_out:
        parts.append(f"Not counted: {', '.join(f'{n} {kind}' for n, kind in left_out)}.")
    return " ".join(parts)


def run(setup: str, direction: str) -> str:
    """A pass by its setup and the way it is run."""
    return f"{setup} {direction}"


def marks() -> str:
    return "triangle: end the pass is run towards; number: order of work"


def not_counted(kinds: Sequence[str]) -> str:
    return f"dotted outline, no letter: {', '.join(kinds)}; not counted"


def ground_marks(joints: bool, headlands: bool) -> str:
    parts = ["dashed: joint between planter passes"] * joints + ["dots: headland"] * headlands
    return "; ".join(parts)


def across(unit: str, ratio: float) -> str:
    """The axis across; `ratio` is how much smaller the length is drawn than the width."""
    scale = ""
    if ratio > 1.02:
        scale = f", length drawn {ratio:.2g} times smaller"
    elif ratio < 0.98:
        scale = f", length drawn {1 / ratio:.2g} times larger"
    return f"across, {unit} (both ways to scale{scale})"


def along(unit: str) -> str:
    return f"along the rows, {unit}"
