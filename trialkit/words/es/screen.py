"""The page that counts are typed into on a phone: every text of it, by the names its script has.

A text in which something is filled in has its name in braces: "{done} de {all}". Safety sentences
(`safety`, `safety_told`, `safety_yes`, `count_strip`, `measure`): verify with a qualified
translator.
"""

from __future__ import annotations

import re

from trialkit.words.es.cards import template as of_paper
from trialkit.words.es.columns import COLUMNS, LEVELS, TABLES

_PAPER = of_paper()
_TEXTS: dict[str, str] = {
    # Everywhere
    "home": "Todas las franjas", "back": "Atrás", "close": "Cerrar", "yes": "Sí, guárdelo",
    "no": "No, cámbielo", "of": "{done} de {all}", "menu": "Vista general",
    "phone": "Este teléfono: {phone}", "no_script": "Esta página necesita JavaScript. "
    "Permítalo para esta página, o cuente en papel.",
    # Safety
    "safety": _PAPER["before"],
    "safety_told": "Léalo en voz alta. Lo oyen todos los que hoy van a estar en el suelo. "
    ,
    "unchecked": _PAPER["unchecked"],
    "safety_yes": "Se les dijo a todos. Lo cumplimos.", "read_on": "Siga leyendo",
    "rules": _PAPER["rules"],
    # What is kept
    "kept": "Todo lo que escribe se guarda en este teléfono.",
    "kept_not": "En este teléfono no se guarda nada: este navegador no deja que la página "
    "guarde. No cierre la página. Mande o guarde una copia después de cada franja.",
    "kept_lost": "Este teléfono ya no guarda lo que se escribe (memoria llena o quitada). No "
    "cierre la página. Mande o guarde una copia ahora y después de cada franja.",
    "kept_not_short": "No se guarda: copie cada franja.",
    "kept_lost_short": "Ya no se guarda: copia ahora.",
    "kept_private": "No use una ventana privada: lo que guarda se pierde al cerrarla.",
    "elsewhere": "Esta página está abierta dos veces en este teléfono. Siga en una sola.",
    "go_on_here": "Seguir aquí",
    # The strips in the order of work
    "progress": "Franjas terminadas: {done} de {all}",
    "go_on": "Seguir: {name}", "all_done": "Todo lo de esta página está terminado. Mande la "
    "copia.",
    "strips_done": "Todas las franjas están contadas o fuera. Sin escribir en este teléfono:",
    "still_open": "Sin escribir en este teléfono: {n}",
    "lack_frames": "marcos sin contar: {n}", "lack_ears": "búsquedas de mazorcas sin anotar: {n}",
    "lack_header_check": "partes de hileras sin medir: {n}", "lack_stalks": "sin medir: {n}",
    "lack_ear_butts": "sin medir: {n}",
    "lack_taken": "lecturas y muestras sin escribir: {n}",
    "done": "terminada", "begun": "empezada: {done} de {all}", "open": "pendiente",
    "left_out": "fuera: {status}",
    "header_check": _PAPER["header_check"], "header": "Cabezal {name}",
    "ground": _PAPER["ground"],
    "in_field": "{table}, campo {field}", "row": "Hilera {name}", "rows": "Hilera por hilera",
    "setup": _PAPER["setup"], "blind": "Ajuste: no se dice aquí, para que todas las franjas se "
    "cuenten igual.",
    "begins": "empieza {time}",
    # A strip
    "count_strip": "Motor apagado, llave con nosotros: contar",
    "measure": "Motor apagado, llave con nosotros: medir", "take": "Empezar",
    "further": "Seguir", "next_strip": "Franja siguiente",
    "zone": "Zona {number}: {zone}", "zone_of": "Zona {number}, {where}",
    "ears": "Mazorcas en el suelo", "readings": "Franja: lecturas",
    "readings_and_samples": "Lecturas y muestras", "who": "Franja: cómo salió",
    "width": "Ancho en que cayó el rastrojo", "lengths": "Cuánto mide el marco a lo largo del "
    "surco",
    "side_who": "Quién mide, y cuándo", "empty": "vacío", "kernels": "granos: {n}",
    "copy_now": "Mande o guarde una copia ahora: en este "
    "teléfono no se guarda nada.",
    # A screen to type on
    "frame": "Marco {name}", "sample": "Muestra {name}", "number": "Número {n}",
    "area": "superficie {area}", "along": "{length} a lo largo de un surco",
    "so_far": "Zona {number}: {done} de {all} marcos, granos {sum}", "on_cobs": ", en olote {sum}",
    "strip_so_far": "Franja: {done} de {all}", "taken_so_far": "Tomadas: {done} de {all}",
    "keep": "Guardar", "next": "Siguiente", "leave_empty": "Dejar vacío",
    "undo": "Deshacer lo último", "undo_key": "Deshacer",
    "undone": "Deshecho: {what}", "nothing_to_undo": "Nada que deshacer",
    "fraction": "Fracción de pulgada", "digits": "Volver a las cifras",
    "previous": "Anterior", "note": "Observación", "how": "Cómo se mide", "now": "Ahora",
    "delete": "Borrar la última cifra", "point": "Punto decimal", "typed": "{label}: {value}",
    "nothing_typed": "{label}: vacío", "optional": "se puede dejar vacío",
    # Asked again, refused
    "sure": "¿Seguro?",
    "far": "{value} en el marco {name}, alrededor de {usual} en los otros de esta zona y "
    "franja.",
    "zeros": "0 granos en {n} marcos de la zona {number}, {zone}.",
    "most_far": "{value}, {label}: lo más en esta zona en este teléfono es {most}.",
    "no_ears": "0 mazorcas encontradas, pero {value} por mazorca.",
    "empty_sure": "{what} queda vacío: sin contar.", "none_zero": "¿No hay ninguno? Escriba 0.",
    "more_than": "{value} ({label}) es más que {most} ({whole}). Escriba otra vez el que esté "
    "mal, por favor.",
    "was": "antes {value}",
    "too_dense": "{label}: a lo más {most} en esta superficie, más de lo que tiene un cultivo "
    "entero. Escríbalo otra vez, por favor.",
    "far_rule": "Se vuelve a preguntar por un conteo cuando es más del triple, o menos de un "
    "tercio, del marco de en medio de los otros de su zona y franja, y se aparta de él 10 granos "
    "o más; cuando es más de diez veces el mayor de su zona en este teléfono; y por 0 en todos "
    "los marcos de una zona de tres o más. Lo que se contó vale: responda que sí.",
    "between": "{label}: de {low} a {high}. Escríbalo otra vez, por favor.",
    "whole": "{label}: debe ser un número entero.",
    "not_a_number": "{label}: {value} no es un número.",
    "at_least": "{label}: {low} o más. Escríbalo otra vez, por favor.",
    "needed": "{label}: hace falta antes de poder guardar.",
    "reason_needed": "Escriba también el motivo, por favor: la franja queda fuera y se dice "
    "que quedó fuera.",
    # The copy
    "export": "Mandar o guardar la copia", "export_about": "Un archivo con todo lo que se "
    "contó en este teléfono (entradas: {n}). Una copia posterior toma el lugar de una "
    "anterior.",
    "export_when": "Mándelo cada noche.",
    "export_none": "Todavía no se ha contado nada en este teléfono.",
    "drafts": "Escrito y aún sin guardar, así que no está en la copia: {names}",
    "share": "Mandar el archivo", "download": "Guardar el archivo", "copy": "Copiar el texto",
    "text": "La copia como texto: selecciónelo todo y cópielo",
    "shared": "Entregado.", "not_shared": "No se mandó nada.",
    "downloaded": "Guardado como {file}. Vea si está ahí.", "copied": "Copiado. Péguelo en un "
    "mensaje.",
    "not_copied": "Este navegador no copia: seleccione el texto de abajo y cópielo a mano.",
    "take_in": "En la computadora: trialkit add FOLDER FILE",
}  # fmt: skip


def page_title(title: str) -> str:
    return f"Contar: {title}"


def neutral_title(season: int, fields: list[str]) -> str:
    """Instead of a title that names a setup, on a page that tells none."""
    return f"Ensayo {season}: {', '.join(fields)}"


def crew_of(number: int, of: int) -> str:
    """Which crew a page is for, of several."""
    return f"Cuadrilla {number} de {of}"


def header_given(crew: int, own: bool) -> str:
    """Which of several crews checks the header; `own` on its own page."""
    return f"La revisión del cabezal es solo de esta cuadrilla (cuadrilla {crew})." if own else (
        f"La revisión del cabezal está en la página de la cuadrilla {crew}.")  # fmt: skip


def ground_given(field: str, crew: int) -> str:
    """Which of several crews takes stalks and ear butts of a field, on another's page."""
    return (f"Las cañas y bases de mazorca del campo {field} están en la página de la cuadrilla "
            f"{crew}.")  # fmt: skip


def decimal_sign() -> str:
    """What stands between whole and part of a number; the page takes point and comma alike."""
    return "."


def template() -> dict[str, str]:
    """Texts of the page, by the names its script has for them."""
    return dict(_TEXTS)


def labels() -> dict[str, str]:
    """What is typed, by the column it goes to; a column that is not here is called by its name."""
    elsewhere = {"strip", "field", "pair", "frame", "zone", "sample", "row"}
    return {name: said for name, said in COLUMNS.items() if name not in elsewhere}


def measured_how(text: str) -> str:
    """How something is measured, as the paper has it, for a page without the tables' own names."""
    text = re.sub(r" \(en la tabla: [^)]*\)", "", text)
    return re.sub(r" \((?:tank|behind)\)", "", text)


def levels() -> dict[str, str]:
    """What a choice is called; the file holds the trial's own word whatever the language."""
    return {
        **LEVELS, "behind": "detrás de la máquina", "sound": "sano", "torn": "roto",
        "missing": "falta", "preharvest": "precosecha", "header": "cabezal", "total": "total",
        **TABLES,
    }  # fmt: skip


def written(pages: int) -> str:
    """What stands before the name of each file that was written."""
    return "Página para un teléfono" if pages == 1 else "Página para el teléfono de una cuadrilla"


def getting_there() -> str:
    """How the page comes onto a phone; what was tried is said, the rest is not claimed."""
    return (
        "Mande el archivo al teléfono (correo, mensajero, cable), ábralo en el navegador del "
        "teléfono, no en la vista previa del correo, y mire su primer renglón: dice si el teléfono "
        "guarda lo que se escribe."
    )
