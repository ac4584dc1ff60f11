"""Cautions for whoever measures a header; printed on what goes to the machine."""

from __future__ import annotations


def measuring() -> str:
    """How a header stands while anyone measures on it."""
    return (
        "Measure with the engine off, the key out and with you, all movement stopped and the "
        "header's lift locked; never reach into a row unit that can turn."
    )


def caution() -> str:
    """That, and who comes before anything said of a header."""
    return (
        f"{measuring()} The operator's manual and qualified service people come before anything "
        "said here."
    )
