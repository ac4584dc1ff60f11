"""Headings of a setup's effect field by field."""

from __future__ import annotations

from trialkit.quantities import lower_first


def columns(ratio: str) -> dict[str, str]:
    """Headings of the columns; `ratio` is what the effects are."""
    return {
        "label": "level", "ratio": ratio, "predicted": "in the next field",
        "same direction": "share of fields in that direction",
        "sd": f"sd between fields of the log {ratio}", "n fields": "fields",
    }  # fmt: skip


def heading(title: str, factor: str, ratio: str, reference: str) -> str:
    return f"{title}, field by field: {factor}, {ratio} to {lower_first(reference)}"


def in_brackets(level: float) -> str:
    return f"{100 * level:g} % intervals in brackets; single fields: see fields."
