"""What stands over the boxes: the tables' columns and levels by their names."""

from __future__ import annotations

COLUMNS = {
    # strips
    "strip": "franja", "field": "campo", "pair": "par", "main_strip": "franja principal",
    "header": "cabezal", "gap_front": "abertura al frente", "gap_rear": "abertura atrás",
    "speed_set": "velocidad pedida", "speed_measured": "velocidad medida",
    "roll_rpm": "vueltas de los rodillos", "moisture": "humedad",
    "test_weight": "peso volumétrico", "yield": "rendimiento",
    "discharge_width": "ancho del rastrojo",
    "harvested_at": "fecha y hora de cosecha", "status": "estado", "reason": "motivo",
    "counted_by": "contó (iniciales)", "written_by": "anotó (iniciales)",
    "key_held_by": "trajo consigo la llave (iniciales)", "note": "nota",
    # frames, ears
    "frame": "marco", "zone": "zona", "area": "superficie", "loose_kernels": "granos sueltos",
    "kernels_on_cobs": "granos en olote", "ears": "mazorcas encontradas",
    "kernel_mass_per_ear": "grano por mazorca", "kernels_per_ear": "granos por mazorca",
    # samples
    "sample": "muestra", "kernels_examined": "granos revisados",
    "kernels_damaged": "de estos, dañados",
    "sample_mass": "masa de la muestra", "sieve_mass": "masa cribada, la que pasó",
    "foreign_mass": "materia extraña", "ears_examined": "mazorcas revisadas",
    "ears_damaged": "de estas, dañadas en la base", "kernels_missing": "granos que faltan",
    "impact_score": "calificación de golpes, 0 a 5", "taken_at": "tomada en",
    "residue_mass": "masa de rastrojo",
    "score": "calificación, 0 a 5",
    # the header
    "row": "hilera", "gap_middle": "abertura en medio",
    "plate_left_front": "placa izq. frente", "plate_left_rear": "placa izq. atrás",
    "plate_right_front": "placa der. frente", "plate_right_rear": "placa der. atrás",
    "set_front": "ajuste al frente", "set_rear": "ajuste atrás",
    "roll_left_wear_length": "largo gastado, rodillo izq.",
    "roll_right_wear_length": "largo gastado, rodillo der.",
    "roll_left_flute": "estría, rodillo izq.", "roll_right_flute": "estría, rodillo der.",
    "clearance_1": "luz de guías 1, frente", "clearance_2": "luz de guías 2",
    "clearance_3": "luz de guías 3", "clearance_4": "luz de guías 4",
    "clearance_5": "luz de guías 5, atrás", "roll_clearance": "luz entre rodillos",
    "plate_edge_wear": "desgaste del borde", "chain_slack": "holgura de la cadena",
    "chain_stretch": "estiramiento de la cadena", "flaps": "faldones",
    "measured_by": "midió (iniciales)", "measured_at": "fecha",
    "diameter": "diámetro",
}  # fmt: skip
LEVELS = {
    "harvested": "cosechada", "not harvested": "no cosechada", "damaged": "dañada",
    "spoilt count": "conteo echado a perder", "tank": "tolva", "behind": "detrás",
}  # fmt: skip
TABLES = {
    "grain": "grano", "residue": "rastrojo", "stalks": "cañas", "ear_butts": "bases de mazorca",
}  # fmt: skip


def called(column: str) -> str:
    """A column in words: "abertura al frente" for gap_front."""
    return COLUMNS.get(column, column.replace("_", " "))
