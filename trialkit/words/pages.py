"""What is said while a page is made, and round it in a notebook."""

from __future__ import annotations


def parts_of_page() -> str:
    """What opens the list of a page's parts."""
    return "Parts of this page, one call each"


def running() -> str:
    """Step: the notebook's cells before those of parts."""
    return "running the report's notebook"


def writing(part: str) -> str:
    """Step: a part of the page."""
    return f"writing: {part}"


def compiling() -> str:
    """Beside a step that takes longer the first time."""
    return " (compiling the model engine, first use only)"


def setting() -> str:
    """Step: the page for paper."""
    return "setting the page for paper"
