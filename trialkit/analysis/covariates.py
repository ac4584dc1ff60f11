"""Measured ground speed and grain moisture: where a trial can adjust for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.quantities import scales

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor

# Common practice: smaller spreads say nothing about the covariate and cost a degree of freedom.
SPEED_RANGE = 1.0  # km/h
MOISTURE_RANGE = 1.0  # points
COVARIATE_FIELDS = 3
SPARE_DF = 3


def choose_covariates(
    factors: Sequence[SetupFactor],
    strips: pd.DataFrame,
    interactions: Sequence[tuple[str, str]],
    why: list[str],
    notes: list[str],
    units: str = "SI",
) -> tuple[str, ...]:
    """Measured speed and moisture where the trial can adjust for them; adds centred columns."""
    names = [f.name for f in factors]
    chosen: list[str] = []
    fields = strips["field"].nunique()
    for column, centred, label, unit, enough in (
        ("speed_measured", "speed_centred", "ground speed", "km/h", SPEED_RANGE),
        ("moisture", "moisture_centred", "grain moisture", "points", MOISTURE_RANGE),
    ):
        values = strips[column].astype(float)
        if values.isna().all():
            continue
        if values.isna().any():
            notes.append(
                f"{label.capitalize()} was not recorded on {int(values.isna().sum())} of "
                f"{len(values)} strips, so setups are compared without adjusting for it; all of "
                "these strips are in the comparison."
            )
            continue
        spread = float(values.max() - values.min())
        if spread < enough:
            continue
        own = scales(unit, units)[0]
        if column == "moisture" and fields < COVARIATE_FIELDS:
            notes.append(
                f"Grain moisture ranges over {spread:.1f} points but on fewer than "
                f"{COVARIATE_FIELDS} fields; it is not adjusted for."
            )
            continue
        within = values - values.groupby([strips[name] for name in names]).transform("mean")
        if float((within**2).sum()) < 0.5 * float(((values - values.mean()) ** 2).sum()):
            notes.append(
                f"{label.capitalize()} went with the setup, so what it does is part of "
                "the setup's effect and is not adjusted for."
            )
            continue
        trial = strips.assign(**{centred: values - values.mean()})
        if spare(trial, names, interactions, [*chosen, centred]) < SPARE_DF:
            notes.append(f"There are too few strips to adjust for {label}.")
            continue
        strips[centred] = trial[centred]
        chosen.append(centred)
        why.append(
            f"{label.capitalize()} was measured on every strip and ranged over "
            f"{spread * own.factor:.1f} {own.unit}, so setups are compared at its mean, "
            f"{values.mean() * own.factor:.1f} {'%' if unit == 'points' else own.unit}."
        )
    return tuple(chosen)


def spare(
    strips: pd.DataFrame,
    names: Sequence[str],
    interactions: Sequence[tuple[str, str]],
    covariates: Sequence[str] = (),
) -> int:
    """Strips less the rank of setups, covariates and blocks together."""
    columns = [pd.get_dummies(strips[name]) for name in names]
    columns += [pd.get_dummies(joined(strips, pair)) for pair in interactions]
    columns += [strips[[name]] for name in covariates]
    return spare_within(strips, ["field", "pair"], columns)


def spare_within(
    units: pd.DataFrame, groups: Sequence[str], columns: Sequence[pd.DataFrame]
) -> int:
    """Rows less the rank of `columns` and indicators of `groups` (or a constant) together."""
    matrix = pd.DataFrame(np.hstack(columns).astype(float), index=units.index)
    group = joined(units, groups) if groups else pd.Series("", index=units.index)
    within = matrix - matrix.groupby(group).transform("mean")
    return len(units) - group.nunique() - int(np.linalg.matrix_rank(within.to_numpy(), tol=1e-8))


def joined(strips: pd.DataFrame, names: Sequence[str]) -> pd.Series:
    """One label for every combination of the columns."""
    return strips[list(names)].astype(str).agg("\0".join, axis=1)
