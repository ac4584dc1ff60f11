"""Dropped ears, and the searches they are found in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.responses.columns import (
    NOTE,
    STRIP,
    ZONE,
    Rows,
    Sheet,
    Table,
    at_most_per_area,
    count,
    measure,
)
from trialkit.responses.drawing import (
    Drawing,
    as_written,
    by_strip,
    level_table,
    search_rows,
    setup_effect,
)
from trialkit.responses.ear_mass import kernel_mass_per_ear
from trialkit.responses.record import InUnit, Response, Tables, Unlocked
from trialkit.responses.registry import ZONES
from trialkit.words import losses as words
from trialkit.words.terms import ENGLISH, amount

MAX_EARS_PER_M2 = 50.0
"""Upper bound for dropped ears: two ears on each plant of the densest stand allowed here."""


def _check(table: Rows) -> None:
    at_most_per_area(table, "ears", "ears", MAX_EARS_PER_M2)


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    if effort.ear_area == 0:
        return search_rows([], "", 0.0)
    zones = [name for name, zone in ZONES.items() if zone.searched]
    own = [search_rows(strips, zone, effort.ear_area) for zone in zones]
    return pd.concat(own, ignore_index=True)


def _draw(d: Drawing) -> pd.DataFrame:
    t, e, rng = d.truth, d.effort, d.rng
    if e.ear_area == 0:
        return pd.DataFrame()
    header = t.ears * np.exp(setup_effect(t.ear_ratios, d.strips))
    parts = []
    for name, zone in ((n, z) for n, z in ZONES.items() if z.searched):
        density = t.preharvest_ears + (header if "header" in zone.lies else np.zeros(len(header)))
        ears = rng.poisson(density * e.ear_area)
        mean, sd = t.ear_kernels
        mass = rng.normal(mean, sd, len(ears)).clip(60.0)
        mass = as_written(mass, "g", "lb", 2, d.config.units)
        parts.append(
            search_rows(d.names, name, e.ear_area).assign(
                ears=ears,
                kernel_mass_per_ear=np.where(ears > 0, mass, np.nan),
                kernels_per_ear=np.nan,
                note=None,
            )
        )
    return by_strip(pd.concat(parts, ignore_index=True), d.names)


EARS = Table(
    "ears",
    "one row per search for dropped ears",
    (
        STRIP,
        ZONE,
        measure("area", "m2", "ft2", 0.1, 10_000, "area searched", required=True),
        count("ears", 1e5, "ears found, part ears with kernels counted in", required=True,
              densest=MAX_EARS_PER_M2),
        measure("kernel_mass_per_ear", "g", "lb", 0.1, 600, "shelled grain of one ear, mean"),
        measure("kernels_per_ear", "", "", 1, 2000, "kernels on one ear, mean"),
        NOTE,
    ),
    rank=40,
    check=_check,
    sheet=Sheet(
        "count sheets", "ear searches", "search", _rows, ((20, _draw),), effort="ear_area",
        at_stop=True, printed=("strip", "zone", "area"),
    ),
)


def _per_ear(rows: pd.DataFrame, tables: Tables, config: Any) -> InUnit:
    """Mean grain on an ear over all ears found, all setups alike; ears where nothing tells it."""
    found = kernel_mass_per_ear(tables["ears"], tables["strips"], config, [])
    found = found[(found["ears"] > 0) & found["strip"].isin(rows["strip"])]
    if found.empty or found["mass"].isna().any():
        return InUnit(1e4, "ears/ha", (words.ears_not_grain(),))
    mass = float((found["mass"] * found["ears"]).sum() / found["ears"].sum())
    return InUnit(10.0 * mass, "kg/ha", (words.ear_counts_as(mass),))


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Grain on ears the header dropped, at base moisture.

    The mean ear weighs ``truth.ear_kernels[0]`` at the trial's mean moisture; the cut of the
    drawn masses at 60 g is four standard deviations away in the demo trials and is left aside.
    """
    moisture = float(strips["moisture"].astype(float).mean())
    mass = units.to_standard_moisture(truth.ear_kernels[0], moisture, config.base_moisture)

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        effect = np.exp(setup_effect(truth.ear_ratios, cells))
        return np.asarray(10.0 * float(mass) * truth.ears * effect)

    return level_table(config, kg_ha, "kg_ha")


DROPPED_EARS = Response(
    "dropped_ears", "Dropped ears", 40, EARS, "ears", "poisson", _per_ear, "search", "ear",
    "counts of ears: Poisson with log link, area searched as exposure",
    {ENGLISH: amount("dropped", "ears at the header", "ears dropped at the header")}, _true,
    absent="Ears were searched for, but not on ground the header crossed, so ears dropped by the "
    "header cannot be analysed.",
    size="area", zones={"header": 1.0}, offset="preharvest", source=("header", "ears"),
    shown="line", short="dropped ears", unlocked=(Unlocked("dropped ears", 40),),
)  # fmt: skip
