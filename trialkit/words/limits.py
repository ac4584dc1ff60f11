"""What is said where a file is beyond a limit."""

from __future__ import annotations

WHAT = {
    "file_bytes": "the size of a file",
    "settings_bytes": "the size of a settings file",
    "plan_bytes": "the size of a plan.json",
    "unpacked_bytes": "the unpacked size of a workbook",
    "memory_bytes": "the memory for reading one trial",
    "row_chars": "the length of a row",
    "nesting": "the depth of settings",
}


def amount(name: str, value: float) -> str:
    """A value of a limit in words, such as "2.1 GB" or "70,000 characters"."""
    if name.endswith("_bytes"):
        for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
            if value >= size:
                return f"{value / size:.3g} {unit}"
        return f"{value:,.0f} bytes"
    unit = {"nesting": "levels"}.get(name, "characters")
    return f"{value:,.0f} {unit}"


def beyond(name: str, found: float, most: float, where: str, raised_by: str) -> str:
    """Something is beyond a limit; `raised_by` is the setting that would let it pass."""
    return (
        f"{where}: {amount(name, found)}, but {WHAT[name]} is limited to {amount(name, most)}. "
        f"If that is meant, raise the limit with the environment variable {raised_by}"
    )
