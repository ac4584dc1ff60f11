"""What everyone on the ground keeps to, on paper for the field.

Verify with a qualified translator: nobody has checked these sentences.
"""

from __future__ import annotations

from trialkit.words.es.cautions import BEHIND


def stop() -> str:
    """Before a strip is counted."""
    return (
        f"{BEHIND} Cabezal desconectado y en el suelo o con seguro, motor apagado, freno puesto, "
        "todo parado, llave fuera y con quien cuenta: entonces baje."
    )


def hands() -> str:
    """Before the header is measured."""
    return (
        "Cabezal bajado al suelo, o levantado con el seguro de levante puesto. Los rodillos y las "
        "cuchillas cortan, también los gastados: use guantes, y nunca meta una mano entre rodillos "
        "o cadenas que puedan girar."
    )


def gap_at_rest() -> str:
    return (
        "La abertura se mide en las placas, entre ellas: motor apagado, llave fuera, cabezal "
        "abajo o con seguro."
    )
