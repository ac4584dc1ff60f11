"""The drawings of a row unit in words: what is written in them, and what they show."""

from __future__ import annotations

_WRITTEN = {
    "centre": "row's centre:\nthe nip of\nthe rolls",
    "gap": "gap: between the plates'\nedges, at the plates",
    "chain": "chain", "plate": "plate", "roll": "roll", "flaps": "flaps", "guides": "guides",
    "roll_clearance": "between the rolls: where it is least",
    "chain_stretch": "chain\nstretch\n(ten links)", "chain_slack": "chain\nslack",
    "plate_edge_wear": "plate edge\nwear",
    "gap_front": "front gap", "gap_middle": "middle gap", "gap_rear": "rear gap",
    "plate_left_front": "left plate,\nfront", "plate_left_rear": "left plate,\nrear",
    "plate_right_front": "right plate,\nfront", "plate_right_rear": "right plate,\nrear",
    "wear_length": "worn length,\neach roll",
    "flute_height": "flute height,\neach roll",
    "left": "left", "right": "right", "front": "front", "rear": "rear",
    "to the corn": "front, to the corn", "new outline": "new outline",
    "full height": "full height", "new": "new", "worn": "worn",
    "flute": "flute or knife at the front, cut across:",
    "stalk": "stalk: at the\nheight of\nthe plates,\nthe wider way", "ground": "ground",
    "butt": "ear butt:\nwidest of\nlast 1 in\n(25 mm)", "ear": "ear, husk off",
}
_PLACES = ("front", "second", "middle", "fourth", "rear")


def written(name: str) -> str:
    """A word or a few in a drawing."""
    return _WRITTEN[name]


def station(number: int) -> str:
    """A station of the guides: its number and its place."""
    return f"clearance {number}\n({_PLACES[number - 1]})"


_SUMMARIES = {
    "row_unit": "Where the gap and each plate are read.",
    "plate_section": "Where the gap is read, cut across.",
    "guides_and_chains": "Where guides, chains and flaps are read.",
    "roll_wear": "What a worn roll is measured by.",
    "stalk_and_butt": "Where stalks and ear butts are measured.",
}
_SHOWN = {
    "row_unit": (
        "The two stripper plates of a row unit from above, the front at the top, the row's centre "
        "line between them. The gap is read from edge to edge of the plates at the front, halfway "
        "and at the rear. Each plate is also read from the centre line to its edge, at the front "
        "and at the rear."
    ),
    "plate_section": (
        "A row unit cut across. The gap is the distance between the edges of the two plates, read "
        "at the plates themselves. A worn edge is rounded back from its new corner. The rolls lie "
        "below the plates, and the clearance between them or their knives is read where it is "
        "least. The gathering chains run on the plates."
    ),
    "guides_and_chains": (
        "Guides and gathering chains of a row unit from above, the front at the top. The clearance "
        "of the facing guides is read at five stations, 1 at the front to 5 at the rear. The slack "
        "of a chain is how far it can be moved by hand halfway, its stretch is read over ten "
        "links. The flaps hang at the front."
    ),
    "roll_wear": (
        "Above, a roll from the side, its front to the left: a worn roll is thinner at the front "
        "and comes up to its new outline further back. The worn length is measured along the roll "
        "from the front of its flutes to where they have their full height. Below, a flute cut "
        "across, new with a sharp edge and worn with a rounded one: the height left is measured "
        "from the body of the roll to the top of the flute, at the front."
    ),
    "stalk_and_butt": (
        "A stalk is measured across, at the height of the plates, its wider way. An ear with the "
        "husk off is measured across the kernels at its butt, the widest place within 25 mm of the "
        "butt's end."
    ),
}


def summary(drawing: str) -> str:
    """The one thing a drawing shows."""
    return _SUMMARIES[drawing]


def shown(drawing: str) -> str:
    """What a drawing shows, for who cannot see it."""
    return _SHOWN[drawing]
