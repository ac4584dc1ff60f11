"""The crew's page: who does what, how to count so that the counts can be trusted, order of work."""

from __future__ import annotations

import math

from trialkit.units import convert
from trialkit.words.es import number

_GEORGIA = (
    "Sumner & Williams, Measuring Field Losses From Grain Combines, University of Georgia Ext."
)
_MISSOURI = "University of Missouri Ext. G1290"
_UNTOLD = "A nadie que cuenta se le dice qué ajuste tiene una franja"


# Who keeps the key and how the machine is stopped: verify with a qualified translator.
def roles() -> tuple[tuple[str, str], ...]:
    """Who, and what each does."""
    return (
        ("Operador", "Maneja a la velocidad fijada, para, retrocede, apaga todo, entrega la llave. "
         "Guarda la hoja del operador y el mapa."),
        ("Guarda de la llave", "Tiene la llave mientras haya alguien en el suelo; la devuelve al "
         "último, cuando todos están donde el operador los ve."),
        ("Quienes cuentan", "Ponen los marcos y cuentan."),
        ("Quien anota", "Escribe cada conteo cuando se lo dicen, y lo repite en voz alta."),
        ("Muestras", "Toma grano, mazorcas y rastrojo de cada franja y pega la etiqueta en "
         "seguida."),
    )  # fmt: skip


def sources() -> str:
    """The numbers in brackets of `rules`."""
    return (
        f"[1] {_GEORGIA} [2] {_MISSOURI} (revisado en 1993). [3] Práctica común. [4] De memoria, "
        "sin fuente leída."
    )


def rules(
    system: str, back_up: float, strip_minutes: float, behind: int, blind: bool
) -> list[str]:
    """How to count honestly, each with its source by number.

    `back_up` is how far (m) the longest ear search ahead of the machine reaches, 0 for none;
    `behind` the number of the zone behind the machine.
    """
    us = system == "US"
    ends, back = ("100 ft", "20 ft") if us else ("30 m", "6 m")
    needed = f"{number(float(convert(back_up, 'm', 'ft')), 0)} ft" if us else (
        f"{number(back_up, 1)} m")  # fmt: skip
    ears = (
        "Zona cabezal, mazorcas: busque en todos los surcos de la pasada desde el maíz en pie "
        f"hacia atrás, {needed} para la superficie de la tarjeta; retroceda por lo menos eso "
        "[1, 2]. Zona precosecha, mazorcas: el mismo largo de maíz en pie. Donde no se pueda "
        "retroceder tanto, busque detrás de la máquina [2] y anote en cabezal solo mazorcas que no "
        "pasaron por ella: enteras, sin trillar, casi todas con su totomoxtle. Las que pasaron "
        "cuentan en total, junto con esas. Cuentan las mazorcas que todavía tienen granos [3]."
    )
    return [
        f"Pare mientras trilla parejo, por lo menos a {ends} de las cabeceras, sin dejar que la "
        "máquina se vacíe [1]. Deje que la velocidad se asiente antes de parar: mientras cambia, "
        "lo que cae detrás no es lo que hace el ajuste [4].",
        f"Desconecte el cabezal y retroceda. Las fuentes no coinciden en cuánto: {back} [1], un "
        "largo de la máquina [2]. Escoja uno para todo el ensayo. El nuestro: ",
        "Desconecte el esparcidor o el picador antes de contar [2], o déjelo como está en todas "
        f"las franjas. Anote en la zona {behind} de la tarjeta el ancho en que cayó el rastrojo: "
        "con él la pérdida detrás de la máquina se dice por ancho del cabezal "
        "[1, 2]. Si nadie lo da, se toma el del cabezal, y la pérdida de un cordón de rastrojo "
        "sale exagerada.",
        "Decida dónde va cada marco antes de mirar el suelo, en los surcos que dice la tarjeta "
        "[3]. Un marco va sobre un surco, su lado largo a lo largo de él [1]; su largo está en la "
        f"tarjeta. Detrás de un cordón de rastrojo los marcos de la zona {behind} van dentro de "
        "él, repartidos a lo ancho [3].",
        "Quite cañas y hojas, luego cuente los granos sueltos dentro del marco [1]. Pónganse de "
        "acuerdo antes de la primera franja en qué granos rotos cuentan, y no lo cambien [3].",
        "Ningún grano también es un conteo: escriba 0. Una casilla vacía quiere decir que nadie "
        "contó. Nunca mueva un marco por lo que hay en él; lo raro va en la nota [3].",
        "Una franja que no se cosechó o se dañó, o cuyo conteo se echó a perder: márquela en "
        "estado en su tarjeta y escriba el motivo; entonces queda fuera de las comparaciones y se "
        "dice que quedó fuera. Si se echó a perder un solo marco, deje sus casillas vacías y "
        "escriba una nota [3].",
        "Detrás de la máquina, los granos que siguen en pedazos de olote son pérdida de trilla, "
        "los sueltos pérdida de separación [1, 2]: cuéntelos aparte, cada uno en su casilla, en "
        "cada marco.",
        "Las mismas personas cuentan todas las franjas de un bloque"
        f"{f'. {_UNTOLD}' * blind} [3].",
        *([ears] if back_up else []),
        "Una revisión de cinco marcos toma unos 15 minutos [2]; una franja aquí, alrededor de "
        f"{minutes(strip_minutes)}. Cuando haya que ir más rápido, ponga menos marcos, no más "
        "apurados: no escriba nada en los que se saltan [3].",
    ]


def usual_counts() -> str:
    return (
        "No se planeó qué se va a contar; se imprimen los marcos, búsquedas de mazorcas y muestras "
        "de costumbre."
    )


def minutes(value: float) -> str:
    """A time that work takes."""
    if value < 90:
        return f"{math.ceil(value)} min"
    hours = number(value / 60, 1)
    return (number(value / 60, 0) if hours.endswith("0") else hours) + " h"


# ---------------------------------------------------------------- order of work
def order_heading(planned: bool) -> str:
    return "Orden de trabajo" if planned else "Franjas, como están en la tabla"


def day(n: int) -> str:
    return f"Día {n}"


def clock(minutes_after_midnight: float) -> str:
    """ "9:40"."""
    hours, rest = divmod(round(minutes_after_midnight), 60)
    return f"{hours}:{rest:02d}"


def from_to(label: str, before: str, after: str) -> str:
    """What of a setup changes, as the order of work says it."""
    return f"{label}: de {before} a {after}"


def change(what: str, spent: float) -> str:
    """A change of the setup in so many minutes; not named on a blind page."""
    return f"Cambio: {what}, unos {minutes(spent)}" if what else (
        f"Cambio de ajuste, unos {minutes(spent)}")  # fmt: skip


def time(hours: float, days: int, changes: int, change_hours: float) -> str:
    """How long the work takes by the plan; `hours` are of all of it."""
    many = "cambio" if changes == 1 else "cambios"
    spent = (
        f", de ellas {number(change_hours, 1)} para {changes} {many} de ajuste" if changes else ""
    )
    on = f", en {days} días" if days > 1 else ""
    return (
        f"Según el plan el trabajo toma {number(hours, 1)} horas{spent}{on}: pasadas de 10:00 (ya "
        "sin rocío) a 18:30, cambios desde las 8:00 (práctica común)."
    )


# ---------------------------------------------------------------- the operator's sheet
def for_operator(blind: bool) -> str:
    told = "Solo para el operador: dice los ajustes."
    return f"{told} Quien cuenta no la ve." if blind else "Para el operador: los ajustes."


def readings(blind: bool) -> str:
    return (
        "Lo que puede revelar el ajuste se escribe aquí, de la cabina y del cabezal."
        if blind
        else "Las lecturas de la cabina y del cabezal se escriben al reverso de cada tarjeta."
    )


def not_in_plan(strip: str) -> str:
    return f"{strip} (no está en el plan)"


def not_as_planned(strips: list[str]) -> str:
    return (
        "La tabla de franjas no está como se planeó; lo que dice aquí sigue la tabla, los cambios "
        f"entre franjas y el mapa siguen el plan: {', '.join(strips)}."
    )
