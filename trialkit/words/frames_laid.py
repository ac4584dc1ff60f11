"""The drawing of the machine with the zones round it, where frames are laid."""

from __future__ import annotations

from collections.abc import Mapping

_BACK_UP = {"US": "20 ft or one combine length", "SI": "6 m or one combine length"}


def engine_off() -> str:
    return "engine off\nkey with\nthe counter"


def stopped_here() -> str:
    return "stopped here, not cleared"


def direction() -> str:
    return "direction of travel"


def back_up(system: str) -> str:
    return f"back up {_BACK_UP[system]}"


def zones_drawn(n: int) -> str:
    """How many zones a drawing of the machine has."""
    return f"The machine has stopped; frames are laid in {n} zones round it."


def count_zones(system: str, rows: int, places: Mapping[str, str]) -> str:
    """The machine and the zones round it; `places` is where each zone lies, by its name."""
    told = " ".join(
        f"Zone {number_}, {name}: {where}."
        for number_, (name, where) in enumerate(places.items(), start=1)
    )
    return (
        "A combine seen from above, driving to the right. It stopped where the standing corn "
        f"begins and then backed up {_BACK_UP[system]}. {told} Rows are numbered 1 to {rows} from "
        "the left in the direction of travel."
    )
