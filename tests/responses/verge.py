"""A fourth zone in one file, its source and the loss counted there.

Beside the pass, outside the header's ends, lie kernels of the stalks that the end snouts pushed
over. A tenth of the header's width is worked so, and what lay there before is taken off.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.responses.drawing import Drawn, level_table, setup_effect, variance
from trialkit.responses.header_loss import FRAMES, per_kernel
from trialkit.responses.places import Source, Zone, ZoneWords
from trialkit.responses.record import Response, Unlocked
from trialkit.words.terms import amount

NAME = "end_loss"
SHARE = 0.1

ZONE = Zone(
    "verge", 25,
    {"en": ZoneWords(
        "ground beside the pass, outside the header's ends", "beside the pass, outside the ends",
        "beside the pass, outside the header's ends", "beside the pass", "beside the pass",
    )},
    lies=("preharvest", "verge"), drawn=(-12.0, -9.0),
)  # fmt: skip
SOURCE = Source(
    "ends", 25, {"en": "outside the header's ends"}, own="verge", colour="#9a9a4a",
    zones={"verge": SHARE, "preharvest": -SHARE},
)  # fmt: skip


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    own = truth.others["verge"]
    half = 0.5 * variance(own.sd, strips, config)

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        density = SHARE * own.typical * np.exp(setup_effect(own.ratios, cells) + half)
        return np.asarray(units.kernels_per_m2_to_kg_ha(density, config.thousand_kernel_mass))

    return level_table(config, kg_ha, "kg_ha")


RECORD = Response(
    NAME, "Loss at the header's ends", 65, FRAMES, "loose_kernels", "poisson", per_kernel, "frame",
    "loose kernel", "counts of loose kernels: Poisson with log link, frame area as exposure",
    {"en": amount("left", "kernels outside its ends", "kernels left outside its ends")}, _true,
    size="area", zones={"verge": SHARE, "preharvest": -SHARE}, given_by=("verge",),
    source=("ends", "kernels"), shown="line", short="kernels outside the header's ends",
    unlocked=(Unlocked("loss at the header's ends"),),
)  # fmt: skip

DRAWN = Drawn(60.0, {"cushion": {"cushion": 0.5}}, {"pair": 0.1, "strip": 0.1, "frame": 0.2})
