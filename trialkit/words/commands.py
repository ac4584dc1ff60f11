"""What the command line prints beside results: titles of tables, steps, what it complains of."""

from __future__ import annotations

from collections.abc import Sequence


# ---------------------------------------------------------------- plan, power
def change_in_file(lines: str) -> str:
    """Lines of the section [plan] that describe the nearest plan; # before what is left out."""
    return f"In the file's section [plan]:\n{lines}"


def for_error() -> str:
    return "For error: degrees of freedom of the classical test of the factor's stratum."


def learning() -> str:
    return "learning from past trials"


def simulating() -> str:
    return "Simulating"


def varying() -> str:
    return "Varying what is true"


def none_varied() -> str:
    return "No plan reaches the power, so none was varied."


def cheapest_varied() -> str:
    return "The cheapest plan when other things are true"


# ---------------------------------------------------------------- cards
def both_sides() -> str:
    return "to print on both sides"


def setting_sheets() -> str:
    return "setting the sheets for paper"


# ---------------------------------------------------------------- trials
def units_beside_plan() -> str:
    return "--units cannot stand beside --from: the plan has its own."


def what_data_unlock() -> str:
    return "What the data unlock"


def not_comparable(reasons: Sequence[str], usual: Sequence[str], others: bool) -> str:
    """Why setups cannot be compared yet by the usual responses; `others` when another can be."""
    what = f" by {' or '.join(usual)}" if usual else ""
    more = " What else was measured is compared by: trialkit analyse FOLDER" if others else ""
    return f"The setups cannot be compared yet{what}: {'; '.join(reasons)}.{more}"


def copying_demo() -> str:
    return "copying the demo trial"


# ---------------------------------------------------------------- how a command ends
def stopped(written: Sequence[str]) -> str:
    """A signal has ended the command; files and folders that it had written until then."""
    if not written:
        return "Stopped. Nothing was written."
    return f"Stopped. {all_written(written)}"


def out_of_memory() -> str:
    return (
        "This machine ran out of memory. Close other programs, or take fewer trials or smaller "
        "tables at a time."
    )


def all_written(written: Sequence[str]) -> str:
    """What a command that failed, or was stopped, has written all the same."""
    return f"Written: {', '.join(written)}; nothing else was."


def stayed(placed: Sequence[str], draft: str) -> str:
    """Files, else a draft of them, that could not be removed again when writing failed."""
    if placed:
        return f"{', '.join(placed)} stayed behind and can be deleted; no other file was written"
    return f"no file was written; {draft} stayed behind and can be deleted"
