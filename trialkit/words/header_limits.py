"""What a header is judged by, in words: every limit and size, and where its figure comes from."""

from __future__ import annotations

from trialkit.words.lengths import Lengths

_OHIO = "Ohio State University Extension, 2019"
_SETTINGS = {
    "own_gap": "Gap: a row may lie off the other rows, and all off the setting, by",
    "crooked": "Plates: left and right may lie unlike from the row's centre by",
    "start_gap": "Front gap to start from: widest published",
    "start_least": "Front gap to start from: narrowest published",
    "stalk_percentile": "Stalks that the front gap lets pass",
    "stalk_clearance": "... with so much to spare",
    "taper": "Rear gap over front gap",
    "taper_off": "... a row may lie off that by",
    "cushion": "Wider at both ends for a cushion",
    "plate_edge": "Plates' edges: rounded or grooved back by at most",
    "guide_clearance": "Guides: least clearance at a station",
    "roll_worn": "A roll is called worn beyond a taper of",
    "roll_pair": "The two rolls of a row: worn length may differ by",
    "flute": "Flutes or knives: least height at the front",
    "flute_pair": "The two rolls of a row: flute height may differ by",
    "roll_clearance": "Between the rolls or their knives",
    "chain_slack": "Chain moved by hand, halfway",
    "chain_stretch": "Chain longer than new by at most",
    "chain_ratio": "Chain over ground speed",
    "feed_rule": "Rule of thumb, plants a second",
    "shared": "A fault of so many of the rows is one of the header",
    "roll_length": "Roll: fluted length when new",
    "roll_diameter": "Roll: diameter at which it pulls",
    "pulled_length": "Stalk pulled until its ear is down",
    "grip": "Share of the roll's speed that the stalk takes",
    "chain_speed": "Speed of the chain",
}
_SOURCES = {
    "given": "given",
    "common": "common practice",
    "maker": "no published figure: the operator's manual comes first",
    "plausible": "plausible, no published figure: measure it",
    "widest start": f"Iowa State University, Integrated Crop Management News, 2010; {_OHIO}",
    "narrowest start": "South Dakota State University, 2012",
    "third node": f"{_OHIO}, over a stalk at its third node",
    "taper": _OHIO,
    "manual": "no default: the operator's manual",
    "roll speed": "from the 12 ft/s of Penn State Extension, 2023, at 900 rpm",
    "no slip": "no slip, the best there can be",
    "measured": "no default: measured",
}


def setting(name: str) -> str:
    """What a limit or size is."""
    return _SETTINGS[name]


def source(code: str) -> str:
    """Where its figure comes from; code of `trialkit.header.limits.SOURCES`."""
    return _SOURCES[code]


def limit_and_source(limit: float, code: str, system: str) -> str:
    """A limit and where it is from: "1/8 in (common practice)"."""
    return f"{Lengths(system).given(limit)} ({source(code)})"


def limits_heading() -> str:
    """Above the limits as a notebook shows them."""
    return "Limits of the header check, mm"


def sizes_heading() -> str:
    """Above the sizes of a row unit as a notebook shows them."""
    return "The row unit, mm and m/s"
