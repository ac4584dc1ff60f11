"""The ground that is counted: ahead of the header, behind it, behind the machine."""

from __future__ import annotations

from trialkit.responses.places import Zone, ZoneWords
from trialkit.words.terms import ENGLISH

PREHARVEST = Zone(
    "preharvest", 10,
    {ENGLISH: ZoneWords(
        "standing corn ahead of the machine", "standing corn ahead of the machine",
        "in standing corn ahead of the machine", "standing corn", "in standing corn",
        "in the standing corn ahead",
    ), "es": ZoneWords(
        "maíz en pie delante de la máquina", "maíz en pie delante de la máquina",
        "en el maíz en pie delante de la máquina", "maíz en pie", "en el maíz en pie",
        "en el maíz en pie de adelante", "precosecha",
    )},
    frames="preharvest_frames", lies=("preharvest",), searched=True, before=True,
    drawn=(0.9, 6.9), aliases=("pre-harvest", "pre harvest"),
)  # fmt: skip
HEADER = Zone(
    "header", 20,
    {ENGLISH: ZoneWords(
        "ground the header crossed but the body did not",
        "ground the header crossed, the body did not",
        "where the header has passed but the machine's body has not",
        "behind the header", "behind the header",
        "the ground between the standing corn and the header",
    ), "es": ZoneWords(
        "suelo por donde pasó el cabezal pero no el cuerpo de la máquina",
        "suelo por donde pasó el cabezal, no el cuerpo",
        "donde pasó el cabezal pero no el cuerpo de la máquina",
        "detrás del cabezal", "detrás del cabezal",
        "el suelo entre el maíz en pie y el cabezal", "cabezal",
    )},
    frames="header_frames", lies=("preharvest", "header"), searched=True, drawn=(-5.6, -0.5),
)  # fmt: skip
TOTAL = Zone(
    "total", 30,
    {ENGLISH: ZoneWords(
        "ground behind the machine", "behind the machine", "behind the machine",
        "behind the machine", "behind the machine",
    ), "es": ZoneWords(
        "suelo detrás de la máquina", "detrás de la máquina", "detrás de la máquina",
        "detrás de la máquina", "detrás de la máquina", called="total",
    )},
    frames="total_frames", lies=("preharvest", "header", "processing"), drawn=(-21.0, -15.6),
)  # fmt: skip
