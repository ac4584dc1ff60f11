"""Maps of strips and passes in words: legends, axes, what they show."""

from __future__ import annotations

from collections.abc import Sequence


def strips_in_order(timed: bool) -> str:
    return "in the order harvested" if timed else "in the order of the strips table"


def continued(field: str) -> str:
    return f"{field}, continued"


def frames_counted() -> str:
    return "frames were counted on the strip"


def _on(fields: int) -> str:
    return "one field" if fields == 1 else f"{fields} fields"


def strips(n: int, pairs: int, fields: int, order: str, without: int) -> str:
    """`without` strips have no frames; `order` is one of `strips_in_order`."""
    more = f" {without} without frames." if without else ""
    return f"{n} strips of {pairs} pairs (blocks) on {_on(fields)}, {order}.{more}"


def strip_map(summary: str, pairs: Sequence[tuple[str, str, str]]) -> str:
    """What the map of strips shows; of each pair told: field, name, setups."""
    parts = [f"{field}, pair {pair}: {setups}." for field, pair, setups in pairs]
    return " ".join(["Map of the strips as run.", summary, *parts])


# ---------------------------------------------------------------- the passes of a plan
def passes(strips: int, blocks: int, layout: str, fields: int) -> str:
    kind = "pairs" if layout == "pairs" else "blocks"
    return f"{strips} strips in {blocks} {kind} on {_on(fields)}, by position."


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
