"""Cautions for whoever measures a header; printed on what goes to the machine.

Verify with a qualified translator: nobody has checked these sentences.
"""

from __future__ import annotations


def measuring() -> str:
    """How a header stands while anyone measures on it."""
    return (
        "Mida con el motor apagado, la llave fuera y con usted, todo movimiento parado y el seguro "
        "de levante del cabezal puesto; nunca meta la mano en una unidad que pueda girar."
    )


def caution() -> str:
    """That, and who comes before anything said of a header."""
    return (
        f"{measuring()} El manual del operador y el personal de servicio calificado valen antes "
        "que todo lo que se dice aquí."
    )
