"""Processing loss: what threshing and cleaning leave, the difference of two zones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.responses.behind_machine import (
    BEHIND,
    cobs_counted,
    cobs_left_out,
    spread_of,
    width_assumed,
)
from trialkit.responses.drawing import level_table, setup_effect
from trialkit.responses.header_loss import FRAMES, KERNELS, PROCESSING_SD, per_kernel
from trialkit.responses.record import InUnit, Response, Tables, Unlocked
from trialkit.words import unlocks
from trialkit.words.terms import ENGLISH, amount


def _discharged(rows: pd.DataFrame, tables: Tables, config: Any) -> InUnit:
    """Residue lies on the discharge width; the loss is told per area the header took in.

    Where that width differs between strips, the mean of header width over discharge width serves
    all of them.
    """
    strips = tables["strips"]
    strips = strips[strips["strip"].isin(rows["strip"])]
    assumed, left_out = width_assumed(rows, strips, config), cobs_left_out(tables["frames"])
    spread, said = spread_of(strips, config)
    notes = (*filter(None, (assumed, left_out)), *said)
    return InUnit(per_kernel(rows, tables, config).value / spread, "kg/ha", notes)


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Averaged over its frames."""
    del strips

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        density = truth.processing * np.exp(
            setup_effect(truth.processing_ratios, cells) + 0.5 * PROCESSING_SD**2
        )
        return np.asarray(units.kernels_per_m2_to_kg_ha(density, config.thousand_kernel_mass))

    return level_table(config, kg_ha, "kg_ha")


def _unlocked(tables: Tables, config: Any) -> tuple[bool, str]:
    zones = tables["frames"]["zone"].value_counts()
    behind, header = int(zones.get(BEHIND, 0)), int(zones.get("header", 0))
    assumed = bool(width_assumed(tables["frames"], tables["strips"], config))
    return header > 0 and behind > 0, unlocks.processing_loss(behind, header, assumed)


def _apart(tables: Tables, config: Any) -> tuple[bool, str]:
    del config
    frames = tables["frames"]
    apart = int(frames["kernels_on_cobs"].notna().sum())
    return cobs_counted(frames), unlocks.apart(apart, int(frames["zone"].eq(BEHIND).sum()))


PROCESSING_LOSS = Response(
    "processing_loss", "Processing loss", 60, FRAMES, "loose_kernels", "poisson", _discharged,
    "frame", "kernel", KERNELS.replace("loose ", ""),
    {ENGLISH: amount("left", "kernels in threshing and cleaning",
                     "kernels left in threshing and cleaning")},
    _true,
    absent="No strip has frames both behind the machine and on ground that only the header "
    "crossed, so what threshing and cleaning left cannot be told from what the header left.",
    size="area", zones={"header": -1.0, "total": 1.0}, given_by=("total",),
    source=("processing", "kernels"), also="kernels_on_cobs",
    remark="Both zones stand in one model, with a variance of frames each, so the intervals "
    "carry the chance of both counts.",
    unlocked=(Unlocked("processing loss", 20, judge=_unlocked, usual=True),
              Unlocked("threshing and separation apart", 30, judge=_apart, usual=True)),
)  # fmt: skip
