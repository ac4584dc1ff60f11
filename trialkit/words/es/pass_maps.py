"""The map of a plan's passes in words: its legend, its axes, what it shows."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.es import brief
from trialkit.words.es.cards import direction as way

_KINDS = {"border": "borde", "buffer": "separación", "rows left": "surcos sobrantes"}


def continued(field: str) -> str:
    return f"{field}, continuación"


def on_fields(fields: int) -> str:
    return "un campo" if fields == 1 else f"{fields} campos"


def passes(strips: int, blocks: int, layout: str, fields: int) -> str:
    kind = ("par" if blocks == 1 else "pares") if layout == "pairs" else (
        "bloque" if blocks == 1 else "bloques")  # fmt: skip
    return f"{strips} franjas en {blocks} {kind} en {on_fields(fields)}, por su lugar."


def pass_map(
    summary: str, setups: Sequence[tuple[str, str]], blocks: Sequence[tuple[str, str, str]],
    left_out: Sequence[tuple[int, str]],
) -> str:  # fmt: skip
    """What the map of passes shows: letters and setups, blocks with their passes, what is not
    counted."""
    parts = ["Mapa de las pasadas, a escala.", summary]
    parts += [f"Ajuste {letter}: {words}." for letter, words in setups]
    parts += [f"{field}, {block}: {runs}." for field, block, runs in blocks]
    if left_out:
        told = ", ".join(f"{n} {_KINDS.get(kind, kind)}" for n, kind in left_out)
        parts.append(f"No se cuentan: {told}.")
    return " ".join(parts)


def run(setup: str, direction: str) -> str:
    """A pass by its setup and the way it is run."""
    return f"{setup} {way(direction)}"


def marks() -> str:
    return "triángulo: hacia dónde va la pasada; número: orden de trabajo"


def not_counted(kinds: Sequence[str]) -> str:
    told = ", ".join(_KINDS.get(kind, kind) for kind in kinds)
    return f"contorno punteado, sin letra: {told}; no se cuenta"


def ground_marks(joints: bool, headlands: bool) -> str:
    parts = ["rayas: unión entre pasadas de la sembradora"] * joints
    return "; ".join(parts + ["puntos: cabecera"] * headlands)


def across(unit: str, ratio: float) -> str:
    """The axis across; `ratio` is how much smaller the length is drawn than the width."""
    scale = ""
    if ratio > 1.02:
        times = brief(ratio, 2)
        scale = f", el largo {times} veces más chico"
    elif ratio < 0.98:
        times = brief(1 / ratio, 2)
        scale = f", el largo {times} veces más grande"
    return f"a lo ancho, {unit} (todo a escala{scale})"


def along(unit: str) -> str:
    return f"a lo largo de los surcos, {unit}"
