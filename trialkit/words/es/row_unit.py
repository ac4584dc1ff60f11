"""The drawings of a row unit in words: what is written in them, and what they show."""

from __future__ import annotations

_WRITTEN = {
    "centre": "centro del\nsurco: entre\nlos rodillos",
    "gap": "abertura: entre los bordes\nde las placas, en las placas",
    "chain": "cadena", "plate": "placa", "roll": "rodillo", "flaps": "faldones",
    "guides": "guías",
    "roll_clearance": "luz entre rodillos: donde es menor",
    "chain_stretch": "estira-\nmiento\n(10 esla-\nbones)", "chain_slack": "holgura\nde la\ncadena",
    "plate_edge_wear": "desgaste\ndel borde",
    "gap_front": "abertura\nal frente", "gap_middle": "abertura\nen medio",
    "gap_rear": "abertura\natrás",
    "plate_left_front": "placa izq.\nfrente", "plate_left_rear": "placa izq.\natrás",
    "plate_right_front": "placa der.\nfrente", "plate_right_rear": "placa der.\natrás",
    "wear_length": "largo gastado,\ncada rodillo",
    "flute_height": "altura de la\nestría, cada\nrodillo",
    "left": "izquierda", "right": "derecha", "front": "frente", "rear": "atrás",
    "to the corn": "frente, hacia el maíz", "new outline": "contorno nuevo",
    "full height": "altura completa", "new": "nuevo", "worn": "gastado",
    "flute": "estría o cuchilla al frente, corte transversal:",
    "stalk": "caña: a la\naltura de\nlas placas,\nlo más ancho", "ground": "suelo",
    "butt": "lo más\nancho de\nla base,\n1 in\n(25 mm)", "ear": "mazorca pelada",
}  # fmt: skip
_PLACES = ("frente", "segunda", "en medio", "cuarta", "atrás")


def written(name: str) -> str:
    """A word or a few in a drawing."""
    return _WRITTEN[name]


def station(number: int) -> str:
    """A station of the guides: its number and its place."""
    return f"luz {number}\n({_PLACES[number - 1]})"


_SUMMARIES = {
    "row_unit": "Dónde se leen la abertura y cada placa.",
    "plate_section": "Dónde se lee la abertura, en corte.",
    "guides_and_chains": "Dónde se leen guías, cadenas y faldones.",
    "roll_wear": "Con qué se mide un rodillo gastado.",
    "stalk_and_butt": "Dónde se miden cañas y bases de mazorca.",
}
_SHOWN = {
    "row_unit": (
        "Las dos placas de una unidad de hilera vistas desde arriba, el frente arriba, la línea "
        "del centro del surco entre ellas. La abertura se lee de borde a borde de las placas al "
        "frente, a la mitad y atrás. Cada placa se lee también desde la línea del centro hasta su "
        "borde, al frente y atrás."
    ),
    "plate_section": (
        "Una unidad de hilera en corte. La abertura es la distancia entre los bordes de las dos "
        "placas, leída en las placas mismas. Un borde gastado está redondeado hacia atrás desde su "
        "esquina nueva. Los rodillos van debajo de las placas, y la luz entre ellos o sus "
        "cuchillas se lee donde es menor. Las cadenas recolectoras corren sobre las placas."
    ),
    "guides_and_chains": (
        "Guías y cadenas recolectoras de una unidad de hilera vistas desde arriba, el frente "
        "arriba. La luz entre las guías se lee en cinco puntos, de 1 al frente a 5 atrás. La "
        "holgura de una cadena es cuánto se mueve con la mano a la mitad, su estiramiento se lee "
        "en diez eslabones. Los faldones cuelgan al frente."
    ),
    "roll_wear": (
        "Arriba, un rodillo de lado, su frente a la izquierda: un rodillo gastado es más delgado "
        "al frente y llega a su contorno nuevo más atrás. El largo gastado se mide a lo largo del "
        "rodillo desde el frente de las estrías hasta donde tienen su altura completa. Abajo, una "
        "estría en corte, nueva con el filo vivo y gastada con el filo redondo: la altura que "
        "queda se mide del cuerpo del rodillo a la punta de la estría, al frente."
    ),
    "stalk_and_butt": (
        "Una caña se mide atravesada, a la altura de las placas, por su lado más ancho. Una "
        "mazorca pelada se mide sobre los granos de su base, en lo más ancho de los últimos 25 mm."
    ),
}


def summary(drawing: str) -> str:
    """The one thing a drawing shows."""
    return _SUMMARIES[drawing]


def shown(drawing: str) -> str:
    """What a drawing shows, for who cannot see it."""
    return _SHOWN[drawing]
