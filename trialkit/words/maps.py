"""The map of the strips as run in words: its legend, what it shows."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.pass_maps import continued, on_fields

__all__ = ["continued", "frames_counted", "strip_map", "strips", "strips_in_order"]


def strips_in_order(timed: bool) -> str:
    return "in the order harvested" if timed else "in the order of the strips table"


def frames_counted() -> str:
    return "frames were counted on the strip"


def strips(n: int, pairs: int, fields: int, order: str, without: int) -> str:
    """`without` strips have no frames; `order` is one of `strips_in_order`."""
    more = f" {without} without frames." if without else ""
    return f"{n} strips of {pairs} pairs (blocks) on {on_fields(fields)}, {order}.{more}"


def strip_map(summary: str, pairs: Sequence[tuple[str, str, str]]) -> str:
    """What the map of strips shows; of each pair told: field, name, setups."""
    parts = [f"{field}, pair {pair}: {setups}." for field, pair, setups in pairs]
    return " ".join(["Map of the strips as run.", summary, *parts])
