"""Dropped ears to grain: the mass of grain on one ear, and what each search stands for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.words import losses as words


def kernel_mass_per_ear(
    ears: pd.DataFrame, strips: pd.DataFrame, config: Any, notes: list[str]
) -> pd.DataFrame:
    """Ear searches with their strip's ``field, pair, moisture`` and ``mass`` of grain on one ear.

    ``mass`` (g at base moisture) is as weighed, else kernels per ear times the thousand-kernel
    mass, else the mean of the field's other searches, else the trial's; missing when none tells.
    """
    design = strips[["strip", "field", "pair"]].assign(moisture=_moisture(strips, config, notes))
    table = ears.merge(design, on="strip", how="inner", validate="many_to_one")
    weighed = units.to_standard_moisture(
        table["kernel_mass_per_ear"].astype(float), table["moisture"], config.base_moisture
    )
    counted = table["kernels_per_ear"].astype(float) * config.thousand_kernel_mass / 1000.0
    mass = pd.Series(weighed, index=table.index).fillna(counted)
    borrowed = mass.isna()
    of_field = mass.groupby(table["field"]).transform("mean")
    mass = mass.fillna(of_field).fillna(mass.mean())
    needed = borrowed & (table["ears"] > 0)
    if mass.isna().any():
        notes.append(words.no_ear_mass())
    elif needed.any():
        elsewhere = int((needed & of_field.isna()).sum())
        notes.append(words.ear_mass_borrowed(int(needed.sum()), elsewhere))
    return table.assign(mass=mass)


def ear_table(
    ears: pd.DataFrame, strips: pd.DataFrame, config: Any, notes: list[str]
) -> pd.DataFrame:
    """Ear searches with the loss (kg/ha at base moisture) each stands for."""
    table = kernel_mass_per_ear(ears, strips, config, notes)
    count, per_ear = table["ears"].astype(float), table["mass"] * 10.0 / table["area"]  # kg/ha
    table["kg_ha"] = count * per_ear
    table["one"] = np.sqrt(count.clip(lower=1.0)) * per_ear
    kept = ["strip", "field", "pair", "zone", "area", "kg_ha", "one"]
    return table.loc[table["mass"].notna(), kept]


def _moisture(strips: pd.DataFrame, config: Any, notes: list[str]) -> pd.Series:
    moisture = strips["moisture"].astype(float)
    missing = int(moisture.isna().sum())
    if missing:
        notes.append(words.moisture_borrowed(missing, config.base_moisture))
    by_field = moisture.groupby(strips["field"]).transform("mean")
    return moisture.fillna(by_field).fillna(moisture.mean()).fillna(config.base_moisture)
