"""What a header is judged by: every limit with its source, and the row unit's own dimensions."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import NamedTuple

import pandas as pd

from trialkit.display import card, table
from trialkit.errors import TrialkitError
from trialkit.header.arithmetic import RULE_OF_THUMB

INCH = 25.4  # mm


@dataclass(frozen=True, slots=True)
class HeaderLimits:
    """Limits and targets; lengths in mm. Each can be given; common practice unless a source stands.

    Attributes
    ----------
    guide_clearance : float
        A station of the guides that reads less is a pinch; 5 in.
    crooked : float
        Readings at the two sides of one plate end may differ by this; 1/8 in. More means that a
        plate sits crooked in its guides.
    own_gap : float
        A row's mean gap may lie so far from the median of the rows; 1/16 in.
    start_gap : float
        Front gap to start from without stalks; 1-1/4 in (Iowa State University, Integrated Crop
        Management News, 2010); South Dakota State University gives 1 to 1-1/4 in (2012).
    stalk_percentile, stalk_clearance : float
        The front gap lets this percentage of the measured stalks pass with so much to spare; 90
        (common practice) and 1/16 in: the front gap is set so much wider than a stalk at its third
        node (Ohio State University Extension, 2019). That puts stalks of 1-3/16 in at the usual
        start of 1-1/4 in; 3/16 in, for which no published source is known, would put those of
        1-1/16 in there.
    taper : float
        Rear gap over front gap; 1/8 in, 1-1/4 in at the front and 1-3/8 at the rear (Ohio State
        University Extension, 2019).
    cushion : float
        Wider at both ends where the chain carries a cushion; 3/8 in.
    roll_worn : float
        Share of the roll's length that may be worn before the row is called worn; 0.1.
    chain_ratio : (float, float)
        Chain over ground speed: at ground speed or slightly above.
    feed_rule : (float, float)
        Plants a second of the rule of thumb.
    """

    guide_clearance: float = 5.0 * INCH
    crooked: float = INCH / 8
    own_gap: float = INCH / 16
    start_gap: float = 1.25 * INCH
    stalk_percentile: float = 90.0
    stalk_clearance: float = INCH / 16
    taper: float = INCH / 8
    cushion: float = INCH * 3 / 8
    roll_worn: float = 0.10
    chain_ratio: tuple[float, float] = (1.0, 1.2)
    feed_rule: tuple[float, float] = RULE_OF_THUMB

    def __post_init__(self) -> None:
        if not 0 < self.stalk_percentile <= 100:
            raise TrialkitError("stalk_percentile is a percentage above 0, at most 100.")
        for name in ("guide_clearance", "crooked", "own_gap", "start_gap"):
            if not getattr(self, name) > 0:
                raise TrialkitError(f"{name} must be above zero (mm).")
        if not 0 < self.roll_worn <= 1:
            raise TrialkitError("roll_worn is a share of the roll: above 0, at most 1.")

    def _repr_html_(self) -> str:
        return _card("Limits of the header check, mm", self)


class Source(NamedTuple):
    """A setting in words, what its number is (``length, percent, share, ratio, rate, speed``), and
    where its default comes from."""

    words: str
    kind: str
    source: str


COMMON = "common practice"
SOURCES: dict[str, Source] = {
    "guide_clearance": Source("Guides: least clearance at a station", "length", COMMON),
    "crooked": Source("Plates: the two sides may differ by", "length", COMMON),
    "own_gap": Source("Gap: a row may lie off the median row by", "length", COMMON),
    "start_gap": Source("Front gap to start from, no stalks measured", "length",
                        "Iowa State University, Integrated Crop Management News, 2010"),
    "stalk_percentile": Source("Stalks that the front gap lets pass", "percent", COMMON),
    "stalk_clearance": Source("... with so much to spare", "length",
                              "over a stalk at its third node: Ohio State University Extension, "
                              "2019"),
    "taper": Source("Rear gap over front gap", "length", "Ohio State University Extension, 2019"),
    "cushion": Source("Wider at both ends for a cushion", "length", COMMON),
    "roll_worn": Source("A roll is called worn beyond this share of its length", "share", COMMON),
    "chain_ratio": Source("Chain over ground speed", "ratio", COMMON),
    "feed_rule": Source("Rule of thumb, plants a second", "rate", COMMON),
    "roll_length": Source("Roll: fluted length when new", "length", COMMON),
    "roll_diameter": Source("Roll: diameter at which it pulls", "length",
                            "from the 12 ft/s of Penn State Extension, 2023, at 900 rpm"),
    "pulled_length": Source("Stalk pulled until its ear is down", "length", COMMON),
    "grip": Source("Share of the roll's speed that the stalk takes", "share",
                   "1 is no slip, the best there can be"),
    "chain_speed": Source("Speed of the chain, m/s", "speed", "no default: measured"),
}  # fmt: skip
"""Every setting of `HeaderLimits` and `RowUnit`, in their order."""


@dataclass(frozen=True, slots=True)
class RowUnit:
    """Dimensions of a row unit: measure them, the defaults are only plausible.

    Attributes
    ----------
    roll_length : float
        Length of the stalk rolls' fluted part when new, mm; 20 in (common practice).
    roll_diameter : float
        Diameter at which the rolls pull, mm: between that over the flutes and that of the core. 78
        mm makes 3.7 m/s at 900 1/min, the 12 ft/s that Penn State Extension (*Guarding Against Corn
        Harvesting Incidents*, 2023) gives for snapping rolls. A maker's figure, reprinted, is
        higher: 15 to 18 mph at the plates.
    pulled_length : float
        Stalk that passes until the ear lies on the plates, mm: height of the ear less the height at
        which the rolls grip; 30 in (common practice: ears at about 42 in, a grip at 12 in).
    grip : float
        Share of the rolls' surface speed the stalk takes, above 0 to 1; 1 is no slip, the best.
    chain_speed : float or None
        Speed of the gathering chain, m/s.
    """

    roll_length: float = 20 * INCH
    roll_diameter: float = 78.0
    pulled_length: float = 30 * INCH
    grip: float = 1.0
    chain_speed: float | None = None

    def __post_init__(self) -> None:
        for name in ("roll_length", "roll_diameter", "pulled_length"):
            if not getattr(self, name) > 0:
                raise TrialkitError(f"{name} must be above zero (mm).")
        if not 0 < self.grip <= 1:
            raise TrialkitError("grip is a share: above 0, at most 1.")
        if self.chain_speed is not None and not self.chain_speed > 0:
            raise TrialkitError("chain_speed must be above zero (m/s).")

    def _repr_html_(self) -> str:
        return _card("The row unit, mm and m/s", self)


def _card(heading: str, settings: HeaderLimits | RowUnit) -> str:
    rows = []
    for field in fields(settings):
        value = getattr(settings, field.name)
        if value is not None:
            values = value if isinstance(value, tuple) else (value,)
            rows.append((field.name.replace("_", " "), " to ".join(f"{v:g}" for v in values)))
    return card(heading, [], table(pd.DataFrame(rows, columns=["setting", "value"])))
