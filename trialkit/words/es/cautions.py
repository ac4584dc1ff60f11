"""Cautions of who counts behind a combine or touches a header.

Verify with a qualified translator: nobody has checked these sentences.
"""

from __future__ import annotations

STOPPED = (
    "Pare la máquina, desconecte el cabezal, apague el motor, saque la llave y espere a que todo "
    "haya dejado de moverse antes de que alguien camine detrás de ella o toque el cabezal."
)
BEHIND = (
    "Nadie se pone detrás de la máquina, ni entre el cabezal y el cuerpo, hasta que el motor esté "
    "apagado, el freno puesto, y quien cuenta tenga la llave y haya cruzado la mirada con el "
    "operador."
)
TOUCHING = (
    "Baje el cabezal al suelo, o ponga el seguro o bloquee sus cilindros de levante, antes de "
    "pasar por delante o por debajo de él.",
    "Nunca destape un surco atascado con los rodillos girando: jalan más rápido de lo que una mano "
    "suelta.",
    "Deje las guardas en su lugar, use lentes de seguridad, y guantes con los rodillos de "
    "cuchillas, que cortan aun parados; nunca busque con la mano una fuga del sistema hidráulico.",
    "Manténgase lejos de otras máquinas, y tenga cuidado con el polvo y el fuego en el rastrojo "
    "seco.",
)
CREW = (
    "Una cuadrilla que cuenta no es personal de operación: diga estas reglas a todos antes del "
    "trabajo de cada día."
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
        "El manual del operador, las reglas del lugar y el personal de servicio calificado valen "
        "antes que todo lo de esta página. En los Estados Unidos las guardas y el servicio de "
        "maquinaria agrícola se rigen por 29 CFR 1928.57; otros lugares tienen sus propias reglas."
    )


def defer_briefly() -> str:
    """The same in one line."""
    return (
        "El manual del operador y el personal de servicio calificado valen antes que esta página."
    )


def before_walking() -> str:
    """Heading over the cautions of counting."""
    return "Antes de que alguien camine detrás de la máquina"


def before_changing() -> str:
    """Line over the cautions on a grower's page."""
    return "Antes de que alguien cambie un cabezal o camine detrás de la máquina:"
