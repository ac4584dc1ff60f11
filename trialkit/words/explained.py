"""What might explain how trials and fields differ, and why it cannot be asked."""

from __future__ import annotations

from trialkit.quantities import upper_first


def not_tried(variable: str, why: str) -> str:
    return f"{upper_first(variable)} is not tried: {why}."


def cannot_be_tried(variable: str, why: str) -> str:
    return f"{upper_first(variable)} cannot be tried: {why}"


def few_fields(strips: int, of: int, fields: int) -> str:
    return f"it was recorded on {strips} of {of} strips, in {fields} fields"


def few_values(values: int) -> str:
    return f"it has {values} value{'s' * (values != 1)} only"


def own_hybrids() -> str:
    return "every field has its own hybrid"


def asking(variable: str) -> str:
    """What is being done, while it is."""
    return f"Asking what {variable} explains"
