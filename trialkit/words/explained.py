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


def own_in_every_field(variable: str) -> str:
    return f"every field has its own {variable}"


def asking(variable: str) -> str:
    """What is being done, while it is."""
    return f"Asking what {variable} explains"


def by_working_response(variable: str) -> str:
    """How hybrids or seasons are judged over many strips."""
    return (
        f"Strips are many here: what {variable}s explain is judged by the working response of the "
        "model without them, the spread within fields taken as known."
    )
