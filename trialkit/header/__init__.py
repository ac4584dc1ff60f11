"""The setup arithmetic of a corn header: what feeds it, what it pulls, how its rows are set.

`check_header` judges a header row by row from a trial's tables; `strip_gaps` turns its readings
into the gap each strip was run with. `arithmetic` and `capacity` hold the formulas, `plates` the
plates and guides, `limits` every limit with its source.
"""

from __future__ import annotations

from trialkit.header.arithmetic import (
    effective_length,
    feed_rate,
    plant_spacing,
    pull_through,
    rows_fed,
    speed_fed,
    speed_ratio,
    surface_speed,
    top_speed,
)
from trialkit.header.capacity import field_capacity, field_capacity_us
from trialkit.header.check import check_header
from trialkit.header.items import HeaderFault, HeaderItem
from trialkit.header.limits import HeaderLimits
from trialkit.header.noise import RowNoise, row_noise
from trialkit.header.plates import GapTarget, gap_target, pinches, plate_gaps, repairs
from trialkit.header.report import HeaderReport
from trialkit.header.rolls import ROLLS
from trialkit.header.speeds import at_speeds
from trialkit.header.strips import strip_gaps
from trialkit.header.unit import Assumed, RowUnit

__all__ = [
    "ROLLS",
    "Assumed",
    "GapTarget",
    "HeaderFault",
    "HeaderItem",
    "HeaderLimits",
    "HeaderReport",
    "RowNoise",
    "RowUnit",
    "at_speeds",
    "check_header",
    "effective_length",
    "feed_rate",
    "field_capacity",
    "field_capacity_us",
    "gap_target",
    "pinches",
    "plant_spacing",
    "plate_gaps",
    "pull_through",
    "repairs",
    "row_noise",
    "rows_fed",
    "speed_fed",
    "speed_ratio",
    "strip_gaps",
    "surface_speed",
    "top_speed",
]
