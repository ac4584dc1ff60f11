"""The cautions of everyone who counts behind a combine or touches a header."""

from __future__ import annotations

STOPPED = (
    "Stop the machine, disengage the header, switch the engine off, take the key out and wait "
    "until everything has stopped moving before anyone walks behind it or touches the header."
)
BEHIND = (
    "Nobody stands behind the machine, or between header and body, until the engine is off, the "
    "brake is set, the person counting holds the key and has met the operator's eyes."
)
TOUCHING = (
    "Lower the header to the ground, or lock or block its lift cylinders, before going in front of "
    "it or under it.",
    "Never free a plugged row with the rolls turning: they pull faster than a hand lets go.",
    "Keep guards in place, wear eye protection, and gloves at knife rolls, which cut at rest too; "
    "never feel for a hydraulic leak by hand.",
    "Keep clear of other machines, and mind dust and fire in dry residue.",
)
CREW = (
    "A counting crew is not operating staff: tell everyone these rules before each day's work."
)


def counting() -> tuple[str, ...]:
    """Of counting behind a machine and of touching it."""
    return (STOPPED, BEHIND, *TOUCHING, CREW)


def touching() -> tuple[str, ...]:
    """Of touching a machine alone."""
    return (STOPPED, *TOUCHING)


def defer() -> str:
    """What comes before a page."""
    return (
        "The operator's manual, local rules and qualified service people come before anything on "
        "this page. In the United States guarding and servicing farm equipment fall under 29 CFR "
        "1928.57; other places have their own rules."
    )


def defer_briefly() -> str:
    """The same in one line."""
    return "The operator's manual and qualified service people come before this page."


def before_walking() -> str:
    """Heading over the cautions of counting."""
    return "Before anyone walks behind the machine"


def before_changing() -> str:
    """Line over the cautions on a grower's page."""
    return "Before anyone changes a header or walks behind the machine:"
