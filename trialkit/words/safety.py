"""What everyone on the ground keeps to, on paper for the field (see `trialkit.words.cautions`)."""

from __future__ import annotations

from trialkit.words.cautions import BEHIND


def stop() -> str:
    """Before a strip is counted."""
    return (
        f"{BEHIND} Header disengaged and lowered to the ground or locked, engine off, brake set, "
        "all movement stopped, key out and with the counter: then step down."
    )


def hands() -> str:
    """Before the header is measured."""
    return (
        "Header lowered to the ground, or raised with its lift locked. Rolls and knives cut, worn "
        "ones too: gloves for it, and never a hand between rolls or chains that could turn."
    )


def gap_at_rest() -> str:
    return (
        "A gap is measured at the plates, between them: engine off, key out, header down or locked."
    )
