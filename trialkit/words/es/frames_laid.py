"""The drawing of the machine with the zones round it, where frames are laid."""

from __future__ import annotations

from collections.abc import Mapping

_BACK_UP = {"US": "20 ft o el largo de la máquina", "SI": "6 m o el largo de la máquina"}


def engine_off() -> str:
    # Verify with a qualified translator.
    return "motor apagado\nllave con\nquien cuenta"


def stopped_here() -> str:
    return "paró aquí, sin vaciarse"


def direction() -> str:
    return "sentido de avance"


def back_up(system: str) -> str:
    return f"retroceda {_BACK_UP[system]}"


def zones_drawn(n: int) -> str:
    """How many zones a drawing of the machine has."""
    return f"La máquina ha parado; se ponen marcos en {n} zonas a su alrededor."


def count_zones(system: str, rows: int, places: Mapping[str, str]) -> str:
    """The machine and the zones round it; `places` is where each zone lies, by its name."""
    told = " ".join(
        f"Zona {number_}, {name}: {where}."
        for number_, (name, where) in enumerate(places.items(), start=1)
    )
    return (
        "Una cosechadora vista desde arriba, que avanza hacia la derecha. Paró donde empieza el "
        f"maíz en pie y luego retrocedió {_BACK_UP[system]}. {told} Los surcos se numeran de 1 a "
        f"{rows} desde la izquierda en el sentido de avance."
    )
