"""Header loss: loose kernels where the header has passed, less those of standing corn.

The table of frames stands here; `preharvest_loss` and `processing_loss` are counted in it too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.responses.behind_machine import BEHIND, discharge_width
from trialkit.responses.columns import (
    NOTE,
    STRIP,
    ZONE,
    Rows,
    Sheet,
    Table,
    at_most_per_area,
    count,
    in_all_or_none,
    key,
    measure,
)
from trialkit.responses.drawing import (
    Drawing,
    by_strip,
    frame_rows,
    level_table,
    repeated,
    setup_effect,
    variance,
)
from trialkit.responses.record import InUnit, Response, Tables, Unlocked
from trialkit.responses.registry import ZONES
from trialkit.words import unlocks
from trialkit.words.terms import ENGLISH, amount

MAX_KERNELS_PER_M2 = 10_000.0
"""Upper bound for loose kernels: at 300 g per 1000 it is 30 t/ha, more than any whole crop."""
PROCESSING_SD = 0.3
"""The same in every simulated trial: log scale, of the processing loss between frames."""
KERNELS = "counts of loose kernels: Poisson with log link, frame area as exposure"


# ---------------------------------------------------------------- the table of frames
def _check(table: Rows) -> None:
    at_most_per_area(table, "loose_kernels", "kernels", MAX_KERNELS_PER_M2)
    at_most_per_area(table, "kernels_on_cobs", "kernels", MAX_KERNELS_PER_M2)
    zone = np.asarray(table.data["zone"], dtype=object)
    # Without one of them kernels on cobs would be left out of every frame behind the machine.
    in_all_or_none(table, "kernels_on_cobs", zone == BEHIND)
    with np.errstate(invalid="ignore"):
        elsewhere = (table.data["kernels_on_cobs"] > 0) & (zone != BEHIND)
    table.refuse(elsewhere & table.sound, "kernels_on_cobs",
                 "nothing but in zone total: elsewhere a piece of an ear is a dropped ear")


def zone_frames(effort: Any) -> dict[str, int]:
    """Frames per strip, by zone in the order they are laid."""
    return {name: int(effort.times(zone.frames or name)) for name, zone in ZONES.items()}


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    own = [frame_rows(strips, z, n, effort.frame_area) for z, n in zone_frames(effort).items()]
    return pd.concat(own, ignore_index=True)


def _draw(d: Drawing) -> pd.DataFrame:
    """Frames with loose kernels, Poisson about the sum of what lies in their zone."""
    t, e, rng = d.truth, d.effort, d.rng
    header = np.log(t.header) + setup_effect(t.header_ratios, d.strips)
    header = header + d.effects(t.sd)
    header += np.log(t.moisture_ratio) * d.moisture + np.log(t.speed_ratio) * d.speed
    processing = t.processing * np.exp(setup_effect(t.processing_ratios, d.strips))
    ahead = np.log(t.preharvest) + d.effects(t.preharvest_sd)
    width = (d.config.header.width / discharge_width(d.strips, d.config)).to_numpy()
    parts = []
    for zone, times in zone_frames(e).items():
        row, _ = repeated(len(d.strips), times)
        size = len(row)
        lies = ZONES[zone].lies
        density = np.exp(ahead[row] + rng.normal(0.0, t.preharvest_sd.get("frame", 0.0), size))
        if "header" in lies:
            density += np.exp(header[row] + rng.normal(0.0, t.sd.get("frame", 0.0), size))
        cobs = np.full(size, np.nan)
        if "processing" in lies:
            added = (processing * width)[row] * np.exp(rng.normal(0.0, PROCESSING_SD, size))
            if t.threshing_share is not None:
                cobs = rng.poisson(t.threshing_share * added * e.frame_area).astype(float)
            density += added * (1.0 - (t.threshing_share or 0.0))
        for other in (name for name in lies if name in t.others):
            density += d.row_means(t.others[other], "poisson", "frame", row)
        parts.append(
            frame_rows(d.names, zone, times, e.frame_area).assign(
                loose_kernels=rng.poisson(density * e.frame_area), kernels_on_cobs=cobs, note=None,
            )
        )  # fmt: skip
    return by_strip(pd.concat(parts, ignore_index=True), d.names)


FRAMES = Table(
    "frames",
    "one row per frame laid on the ground",
    (
        key("frame", "number or name of the frame, unique within strip and zone"),
        STRIP,
        ZONE,
        measure("area", "m2", "ft2", 0.01, 100, "area of the frame", required=True),
        count("loose_kernels", 1e6, "loose kernels counted in it", required=True,
              densest=MAX_KERNELS_PER_M2),
        count("kernels_on_cobs", 1e6,
              "behind the machine: kernels still on pieces of cob in it; 0 for none",
              densest=MAX_KERNELS_PER_M2),
        NOTE,
    ),
    key=("strip", "zone", "frame"),
    rank=30,
    check=_check,
    sheet=Sheet(
        "count sheets", "frames", "frame", _rows, ((10, _draw),), effort="header_frames",
        at_stop=True, printed=("frame", "strip", "zone", "area"),
    ),
)  # fmt: skip


# ---------------------------------------------------------------- the response
def per_kernel(rows: pd.DataFrame, tables: Tables, config: Any) -> InUnit:
    """Kernels per m2 to kg/ha."""
    del rows, tables
    value = units.kernels_per_m2_to_kg_ha(1.0, config.thousand_kernel_mass)
    return InUnit(float(value), "kg/ha")


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Averaged over all random effects, at the trial's mean moisture and speed."""
    half = 0.5 * variance(truth.sd, strips, config)

    def density(cells: pd.DataFrame) -> np.ndarray:
        return truth.header * np.exp(setup_effect(truth.header_ratios, cells) + half)

    return level_table(
        config,
        lambda cells: units.kernels_per_m2_to_kg_ha(density(cells), config.thousand_kernel_mass),
        "kg_ha",
    )


def _unlocked(tables: Tables, config: Any) -> tuple[bool, str]:
    frames = tables["frames"]
    zones = frames["zone"].value_counts()
    header, ahead = int(zones.get("header", 0)), int(zones.get("preharvest", 0))
    lost = int(frames.loc[frames["zone"].eq("header"), "loose_kernels"].sum())
    if not header:
        return False, ""
    if not lost:
        return False, unlocks.nothing_lost(header)
    mass = None if config.kernel_mass_stated else config.thousand_kernel_mass
    return True, unlocks.header_loss(header, ahead, mass)


HEADER_LOSS = Response(
    "header_loss", "Header loss", 10, FRAMES, "loose_kernels", "poisson", per_kernel,
    "frame", "loose kernel", KERNELS,
    {ENGLISH: amount("left", "loose kernels at the header", "loose kernels left at the header")},
    _true,
    absent="There are no frames from the header zone (ground the header crossed but the combine "
    "body did not), so header loss cannot be analysed.",
    size="area", zones={"header": 1.0}, offset="preharvest", source=("header", "kernels"),
    expected=True, shown="full", short="loose kernels at the header", expectation="loss",
    unlocked=(Unlocked("header loss", 10, missing="zone header", judge=_unlocked, usual=True),),
)  # fmt: skip
