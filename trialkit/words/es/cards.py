"""Count cards, the check sheet of the header, labels: what is printed beside the boxes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trialkit.words.es import brief, number
from trialkit.words.es.columns import COLUMNS, LEVELS, TABLES

_WAYS = {"up": "ida", "down": "vuelta"}
_DIRECTIONS = {
    "up": "del extremo cercano al lejano", "down": "del extremo lejano al cercano",
}  # fmt: skip


def template() -> dict[str, Any]:
    """Words of the print template, by the names it has for them; in pairs what has a column."""
    return {
        # The crew's page
        "crew": "Cuadrilla", "emergency": "Número de emergencia",
        "telephone": "Teléfono en el lugar",
        "where": "Dónde estamos: entrada del campo, camino, coordenadas para la ambulancia",
        "extinguisher": "El extintor y el botiquín están en", "hospital": "Hospital más cercano",
        "fields": "Campos", "before": "Antes de que alguien se acerque a la máquina",
        "roles": "Quién hace qué", "who": "quién", "what": "qué", "name": "nombre",
        "told": "Estas reglas se dijeron a todos el (fecha)", "signature": "por (firma)",
        "rules": "Cómo contar para que se pueda confiar en los conteos",
        "begins": "empieza", "run": "pasada", "strip": "franja", "field": "campo", "pair": "par",
        "direction": "sentido",
        # Count cards
        "no_code": "nombre muy largo para un código", "code": "código QR del nombre de la franja",
        "card_front": "tarjeta de conteo: en el suelo",
        "card_back": "tarjeta de conteo: muestras y lecturas",
        "front": "frente", "back": "reverso", "zone": "zona", "setup": "Ajuste",
        "blind": "Ajuste: no se dice en esta tarjeta, para que todas las franjas se cuenten igual.",
        "ears": "mazorcas en el suelo", "strips": "la franja",
        "counted_by": (COLUMNS["counted_by"], "counted_by"),
        "written_by": (COLUMNS["written_by"], "written_by"),
        "key_held_by": (COLUMNS["key_held_by"], "key_held_by"),
        "odd": ("nota: lo raro de esta franja, como maíz caído, paradas, clima, fauna, "
                "reparaciones", "note"),
        "status": ("estado: marque uno", "status"),
        "reason": ("motivo: por qué no se debe usar así", "reason"),
        "worth": "Granos en un marco como pérdida",
        # The operator
        "operator": "Operador", "operators_sheet": "Hoja del operador",
        "strip_setup": "franja, ajuste", "map": "Mapa de las pasadas",
        # The header
        "header_check": "Revisión del cabezal", "header": (COLUMNS["header"], "header"),
        "measured_by": (COLUMNS["measured_by"], "measured_by"),
        "date": (COLUMNS["measured_at"], "measured_at"),
        "ground": "Cañas y bases de mazorca", "each": "de cada una",
        "unchecked": (
            "Traducción por revisar: pida a un traductor calificado que revise las reglas de "
            "seguridad. / Safety sentences not yet reviewed: verify with a qualified translator."
        ),
    }  # fmt: skip


def head(column: str, header: str) -> tuple[str, str]:
    """What stands over a box, and in small print the table's own header where that is another."""
    if column not in COLUMNS:  # a factor of the trial, under the name it was given
        return header, ""
    return COLUMNS[column] + header.removeprefix(column), column


def level(value: str) -> tuple[str, str]:
    """A level that is printed, and in small print the table's own word where that is another."""
    return (LEVELS[value], value) if value in LEVELS else (value, "")


def area(header: str, value: str) -> str:
    """The area of a zone's frames, by the header of its column; without a value frames differ."""
    said = COLUMNS["area"] + header.removeprefix("area")
    return f"{said}: {value}" if value else said


def area_unit(unit: str) -> str:
    """A unit of area as it is said; tables have it plain."""
    return {"ft2": "ft²", "m2": "m²"}.get(unit, unit)


def paper(title: str) -> str:
    return f"Papel para el campo: {title}"


def table(name: str) -> str:
    """What a table of a field's own is called on its sheet."""
    return TABLES.get(name, name)


def labels(title: str) -> str:
    return f"Etiquetas: {title}"


def sample(table: str, behind: bool) -> str:
    """What a label is for."""
    said = TABLES.get(table, table)
    return f"{said} detrás" if behind else said


# ---------------------------------------------------------------- a count card
def place(field: str, pair: str, main_strip: str, run: int, of: int) -> str:
    """Where a strip is; `main_strip` is empty and `of` 0 where there is none and no plan."""
    parts = [f"campo {field}", f"par {pair}"]
    if main_strip:
        parts.append(f"franja principal {main_strip}")
    if of:
        parts.append(f"pasada {run} de {of}")
    return ", ".join(parts)


def way(direction: str) -> str:
    """Which end a pass is run towards."""
    return _DIRECTIONS.get(direction, direction)


def direction(name: str) -> str:
    """Which way a pass is run, as lists have it."""
    return _WAYS.get(name, name)


def drive(direction: str) -> str:
    return f"Maneje de {_WAYS.get(direction, direction)}, {way(direction)}"


def rows_to_count(rows: str) -> str:
    return f"Cuente los surcos {rows} (1 es el de la izquierda en el sentido de avance)"


def field_at(field: str, latitude: float, longitude: float) -> str:
    return f"{field} en {number(latitude, 5)}, {number(longitude, 5)}"


def in_windrow(behind: int, header: int) -> str:
    """What to do with the width residue fell on; numbers of the zones behind machine and header."""
    return (
        "El rastrojo cayó en este ancho: mídalo atravesando los surcos. Todos los marcos de la "
        f"zona {behind} quedan dentro de él, repartidos a lo ancho; a los lados está lo que dejó "
        f"el cabezal, que cuenta la zona {header}."
    )


# ---------------------------------------------------------------- lengths and losses
def lengths_along(spacing: str) -> str:
    return f"Largos que se marcan a lo largo de los surcos (a {spacing} uno de otro)"


def lengths_of_usual_spacings() -> str:
    return "Largos que se marcan en un surco (no se dio la distancia entre surcos del campo)"


def length_headers(rows: int) -> list[str]:
    return ["superficie", "en un surco", f"en {rows} surcos"]


def rows_apart() -> str:
    return "entre surcos"


def kernels() -> str:
    return "granos"


def frame(area: str) -> str:
    return f"marco, {area}"


def ear_search(area: str) -> str:
    return f"búsqueda de mazorcas, {area}"


def worth(
    area: str, divisor: float | None, factor: float, mass: float, per_bushel: float,
    square_feet: float, rule: float, stated: bool,
) -> str:  # fmt: skip
    """How kernels in a frame become loss on the spot; `divisor` (bu/ac) in US units alone.

    `rule` is the number of kernels per bushel the rule of thumb is exact at.
    """
    basis = f"{brief(mass)} g por cada {number(1000, 0)} granos"
    if divisor is not None:
        basis += f", {number(per_bushel, 0)} granos por bushel"
        first = f"granos \N{DIVISION SIGN} {number(divisor, 1)} = bu/ac"
        thumb = (
            " La regla de 2 granos por ft² (aquí granos \N{DIVISION SIGN} "
            f"{brief(2 * square_feet, 3)}) es exacta con {number(rule, 0)} granos por bushel."
        )
    else:
        first, thumb = f"granos \N{MULTIPLICATION SIGN} {brief(factor, 3)} = kg/ha", ""
    own = "" if stated else " (no pesados: pese los suyos)"
    return (
        f"Marco de {area}: {first}, con {basis}{own}.{thumb} Un solo marco no es todavía una "
        "pérdida: los marcos se promedian y se resta lo que ya había antes."
    )


# ---------------------------------------------------------------- the header
def header_sides() -> dict[str, tuple[str, tuple[str, ...]]]:
    """Sides of the header's sheet: title and what is said beside the boxes."""
    return {
        "plates": ("Placas", (
            "Abertura al frente, en medio y atrás: de borde a borde de las dos placas, en las "
            "placas mismas con calibrador o regla, no de la pantalla de la cabina. En medio, si se "
            "toma.",
            "Placas: del centro del surco, entre los rodillos, al borde de cada placa; se puede "
            "omitir. Izquierda y derecha vistas al manejar.",
            "Ajuste al frente y atrás: en cuánto estaba puesta la abertura cuando se midió.",
            "Desgaste del borde: cuánto está redondeado o acanalado un borde hacia atrás, en el "
            "peor lugar.",
        )),
        "rolls": ("Rodillos", (
            "El desgaste se mide en el rodillo mismo, cada rodillo de un par por separado.",
            "Largo gastado: del frente de las estrías o cuchillas hacia atrás hasta donde "
            "tienen su altura completa; 0 si no hay.",
            "Estría: altura que queda, del cuerpo del rodillo a la punta de la estría o "
            "cuchilla, al frente. El manual dice la altura de nuevo.",
            "Luz entre rodillos: entre ellos o sus cuchillas, donde es menor tal como están.",
        )),
        "guides": ("Guías, cadenas, faldones", (
            "Luz de guías 1 a 5: entre las guías de cadena una frente a otra, 1 al frente, "
            "luego segunda, en medio, cuarta, y 5 atrás.",
            "Holgura de la cadena: cuánto se mueve la cadena con la mano, a la mitad. Cómo se "
            "mide y cuánto es lo correcto lo dice el manual.",
            "Estiramiento de la cadena: diez eslabones tensos contra diez de una cadena nueva; más "
            "larga en tantos %.",
            "Faldones (los que guardan las mazorcas): sano, roto o falta (en la tabla: sound, "
            "torn, missing).",
            "Una vez por cabezal: largo estriado de un rodillo nuevo ________, su diámetro entre "
            "el cuerpo y la punta de las estrías ________, altura de las mazorcas sobre el agarre "
            "de los rodillos ________, velocidad de los rodillos, de la pantalla o del manual, "
            "________ 1/min: qué tan rápido jalan los rodillos.",
        )),
    }  # fmt: skip


def row(about: str) -> str:
    del about
    return "Hilera: contada desde la izquierda en el sentido de avance."


def sheet_of(number_of: int, sheets: int) -> str:
    return f"Hoja {number_of} de {sheets} de este cabezal"


def ground(stalks: int) -> tuple[str, ...]:
    """How stalks and ear butts are taken."""
    return (
        f"{stalks} cañas en cada campo, no dos del mismo lugar: atravesadas a la altura de las "
        "placas, por su lado más ancho. La abertura las tiene que dejar pasar.",
        f"De 20 a {stalks} mazorcas en cada campo, peladas: sobre los granos de la base, en lo más "
        "ancho de la última pulgada (25 mm). Las bases más angostas que la abertura llegan a los "
        "rodillos y se desgranan, así que la abertura las tiene que detener.",
        "Se toman en el maíz en pie, lejos de la máquina.",
    )


def diameter(unit: str) -> str:
    return f"diámetro ({unit})"


def setup(levels: Sequence[tuple[str, str]]) -> str:
    """Factors and levels by their labels, which are the trial's own."""
    parts: list[str] = []
    for factor, level in levels:
        parts.append(level if level.startswith(f"{factor} ") else f"{factor}: {level}")
    return "; ".join(parts)
