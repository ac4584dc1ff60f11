"""What a header is judged by: every limit, with its source in `SOURCES`."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import pandas as pd

from trialkit.display import card, table
from trialkit.errors import TrialkitError
from trialkit.header.arithmetic import RULE_OF_THUMB
from trialkit.words import header_limits as words

INCH = 25.4  # mm


@dataclass(frozen=True, slots=True)
class HeaderLimits:
    """Limits and targets; lengths in mm. Each can be given. `SOURCES` says where each is from.

    Attributes
    ----------
    own_gap : float
        A row's front or rear gap may lie so far from the median of the rows, and the median from
        what was set; 1/16 in.
    crooked : float
        The two plates of a row may lie this much unlike from the row's centre, and a gap read
        halfway off the line between its ends; 1/8 in.
    start_gap, start_least : float
        Published starts for the front gap run from 1 in (South Dakota State University, 2012) to
        1-1/4 in (Iowa State University, Integrated Crop Management News, 2010; Ohio State
        University Extension, 2019).
    stalk_percentile, stalk_clearance : float
        The front gap that stalks alone ask for lets this percentage of them pass with so much to
        spare; 90 (common practice) and 1/16 in over a stalk at its third node (Ohio State
        University Extension, 2019).
    taper : float
        Rear gap over front gap; 1/8 in, 1-1/4 in at the front and 1-3/8 at the rear (Ohio State
        University Extension, 2019).
    taper_off : float
        A row's taper may lie so far from that; 1/8 in, so that no rear is narrower than its front,
        which wedges stalks.
    cushion : float
        Wider at both ends where the chain carries a cushion; 3/8 in.
    plate_edge : float
        Plates' edges may be rounded or grooved back so far; 1/8 in.
    guide_clearance : float
        A station of the guides that reads less is a pinch; 5 in.
    roll_worn : float
        Length of taper at the front of a roll beyond which it is called worn; 2 in.
    roll_pair : float
        The two rolls of a row may differ by this in worn length; 1 in.
    flute : float or None
        Flutes or knives lower than this at the front are worn; None, since new height differs from
        roll to roll: the manual has it.
    flute_pair : float
        The two rolls of a row may differ by this in flute height; 1/16 in.
    roll_clearance : (float, float)
        Between the rolls or their knives; 1/32 to 1/8 in.
    chain_slack : (float, float)
        How far the chain may be moved by hand, halfway; 1/4 to 1 in.
    chain_stretch : float
        A chain longer than new by more than this percentage is worn out; 3.
    chain_ratio : (float, float)
        Chain over ground speed: at ground speed or slightly above.
    feed_rule : (float, float)
        Plants a second of the rule of thumb.
    shared : float
        A fault of at least this share of the rows is one fault of the header; 0.75.
    """

    own_gap: float = INCH / 16
    crooked: float = INCH / 8
    start_gap: float = 1.25 * INCH
    start_least: float = INCH
    stalk_percentile: float = 90.0
    stalk_clearance: float = INCH / 16
    taper: float = INCH / 8
    taper_off: float = INCH / 8
    cushion: float = INCH * 3 / 8
    plate_edge: float = INCH / 8
    guide_clearance: float = 5.0 * INCH
    roll_worn: float = 2.0 * INCH
    roll_pair: float = INCH
    flute: float | None = None
    flute_pair: float = INCH / 16
    roll_clearance: tuple[float, float] = (INCH / 32, INCH / 8)
    chain_slack: tuple[float, float] = (INCH / 4, INCH)
    chain_stretch: float = 3.0
    chain_ratio: tuple[float, float] = (1.0, 1.2)
    feed_rule: tuple[float, float] = RULE_OF_THUMB
    shared: float = 0.75

    def __post_init__(self) -> None:
        if not 0 < self.stalk_percentile <= 100:
            raise TrialkitError("stalk_percentile is a percentage above 0, at most 100.")
        for name in (
            "guide_clearance", "crooked", "own_gap", "start_gap", "start_least", "taper_off",
            "plate_edge", "roll_worn", "roll_pair", "flute_pair",
        ):  # fmt: skip
            if not getattr(self, name) > 0:
                raise TrialkitError(f"{name} must be above zero (mm).")
        if not self.chain_stretch > 0:
            raise TrialkitError("chain_stretch must be above zero (%).")
        for name in ("roll_clearance", "chain_slack", "chain_ratio", "feed_rule"):
            low, high = getattr(self, name)
            if not 0 <= low <= high:
                raise TrialkitError(f"{name} is two numbers, the least and the most, from zero up.")
        if not 0.5 < self.shared <= 1:
            raise TrialkitError("shared is a share of the rows: above 0.5, at most 1.")

    def _repr_html_(self) -> str:
        return settings_card(words.limits_heading(), self)


class LimitSource(NamedTuple):
    """What a setting's number is (``length, percent, share, ratio, rate, speed``), and the code of
    where its default comes from (`trialkit.words.header_limits.source`)."""

    kind: str
    source: str


SOURCES: dict[str, LimitSource] = {
    "own_gap": LimitSource("length", "common"),
    "crooked": LimitSource("length", "common"),
    "start_gap": LimitSource("length", "widest start"),
    "start_least": LimitSource("length", "narrowest start"),
    "stalk_percentile": LimitSource("percent", "common"),
    "stalk_clearance": LimitSource("length", "third node"),
    "taper": LimitSource("length", "taper"),
    "taper_off": LimitSource("length", "common"),
    "cushion": LimitSource("length", "common"),
    "plate_edge": LimitSource("length", "maker"),
    "guide_clearance": LimitSource("length", "common"),
    "roll_worn": LimitSource("length", "common"),
    "roll_pair": LimitSource("length", "common"),
    "flute": LimitSource("length", "manual"),
    "flute_pair": LimitSource("length", "maker"),
    "roll_clearance": LimitSource("length", "maker"),
    "chain_slack": LimitSource("length", "maker"),
    "chain_stretch": LimitSource("percent", "maker"),
    "chain_ratio": LimitSource("ratio", "common"),
    "feed_rule": LimitSource("rate", "common"),
    "shared": LimitSource("share", "common"),
    "roll_length": LimitSource("length", "plausible"),
    "roll_diameter": LimitSource("length", "roll speed"),
    "pulled_length": LimitSource("length", "plausible"),
    "grip": LimitSource("share", "no slip"),
    "chain_speed": LimitSource("speed", "measured"),
}
"""Every setting of `HeaderLimits` and `RowUnit`, in their order."""


def source_of(settings: Any, name: str) -> str:
    """Code of where a limit or size in use is from: "given" where it is not the default."""
    default = next(f.default for f in fields(settings) if f.name == name)
    return SOURCES[name].source if getattr(settings, name) == default else "given"


def settings_card(heading: str, settings: Any) -> str:
    """Limits or dimensions as a notebook shows them."""
    rows = []
    for field in fields(settings):
        value = getattr(settings, field.name)
        if value is not None:
            values = value if isinstance(value, tuple) else (value,)
            rows.append((field.name.replace("_", " "), " to ".join(f"{v:.4g}" for v in values)))
    return card(heading, [], table(pd.DataFrame(rows, columns=["setting", "value"])))
