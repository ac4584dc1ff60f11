"""The model of a response surface: its formula, rows and means, and where it is level."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy.spatial import Delaunay

from trialkit.analysis.comparisons import refit
from trialkit.analysis.questions import quadratic
from trialkit.analysis.questions.polynomial import FURTHER, LINEAR, power
from trialkit.analysis.questions.settings import Setting
from trialkit.analysis.reading import MeanCells, Means, Reading, means_of, zone_weights
from trialkit.analysis.result import ResponseResult
from trialkit.display import card
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.mixed import MixedFit
from trialkit.words import surface as words

SPARE_DF = 3


@dataclass(frozen=True, slots=True)
class StationaryPoint:
    """Where the surface is level, on the model's scale.

    Attributes
    ----------
    at : tuple of float
        In the units of the settings.
    kind : {"minimum", "maximum", "saddle"}
    eigenvalues : tuple of float
        Of the second-order coefficients in coded settings.
    inside : bool
        Whether it lies among the settings run.
    bounded : bool
        Whether its confidence region ends inside them.
    """

    at: tuple[float, float]
    kind: str
    eigenvalues: tuple[float, ...]
    inside: bool
    bounded: bool

    def _repr_html_(self) -> str:
        said = words.stationary(self.at, self.inside, self.bounded)
        return card(f"Stationary point: {self.kind}", [said])


@dataclass(slots=True)
class SurfaceModel:
    """The model of a surface: its formula, rows and means."""

    result: ResponseResult
    settings: tuple[Setting, Setting]
    terms: tuple[str, ...]
    held: dict[str, str]

    def __post_init__(self) -> None:
        unknown = [f for f in self.held if f not in self.others]
        if unknown:
            raise DesignError(
                f"{', '.join(unknown)} cannot be held: the factors beside the settings are "
                f"{', '.join(self.others) or 'none'}."
            )
        for factor, level in self.held.items():
            levels = self.result.design.levels[factor]
            if level not in levels:
                raise DesignError(f"{factor} has no level {level!r}; choose {', '.join(levels)}.")

    @property
    def reading(self) -> Reading:
        return self.result.reading

    @property
    def replaced(self) -> dict[str, str]:
        """Factor to the linear column of the setting that it sets."""
        out: dict[str, str] = {}
        for setting, column in zip(self.settings, LINEAR, strict=True):
            out |= {f: column for f in setting.factors if f not in out}
        return out

    @property
    def others(self) -> list[str]:
        return [f for f in self.result.design.names if f not in self.replaced]

    @property
    def covariates(self) -> list[str]:
        own = {c for s in self.settings for c in s.covariates}
        return [c for c in self.result.design.covariates if c not in own]

    @property
    def parts(self) -> list[str]:
        """Terms of the fixed part, of each zone where there are several."""
        parts = [*self.others, *self.covariates, *self.terms]
        replaced = self.replaced
        for a, b in self.result.design.interactions:
            pair = [replaced.get(a, a), replaced.get(b, b)]
            if pair[0] != pair[1] and any(v in self.others for v in pair):
                parts.append(":".join(sorted(pair)))
        return list(dict.fromkeys(parts))

    @property
    def formula(self) -> str:
        parts = self.parts
        if self.reading.zones:
            # As in the response's own model, covariates alone do not meet the zone.
            parts += ["zone", *(f"{p}:zone" for p in parts if p not in self.covariates)]
        return " + ".join(parts)

    @property
    def most(self) -> int:
        """Most degrees of freedom: strips, or the units a replaced factor was set on."""
        design = self.result.design
        free = len(design.strips) - 1 - len(self.parts)
        return max(min([free, *(design.strata[f].df for f in self.replaced)]), 1)

    def columns(self, z: np.ndarray) -> dict[str, np.ndarray]:
        exponents = {LINEAR[0]: (1, 0), LINEAR[1]: (0, 1), **FURTHER}
        return {t: power(z, exponents[t]) for t in self.terms}

    def refit(self) -> MixedFit:
        design, data = self.result.design, self.result.data
        spare = len(design.strips) - 1 - len(self.parts)
        if spare < SPARE_DF:
            raise DesignError(
                f"{len(design.strips)} strips are too few for a surface of "
                f"{len(self.terms)} terms. Run more strips."
            )
        at = pd.Index(design.strips["strip"]).get_indexer(data["strip"])
        z = np.column_stack([s.code(s.values)[at] for s in self.settings])
        fit = refit(self.result, self.formula, **self.columns(z))
        if fit.fixed_part.aliased:
            raise DesignError(
                "The settings run cannot be told from the other factors or fields: "
                f"{', '.join(fit.fixed_part.aliased)} follow from the rest of the model."
            )
        return fit

    def cells(self, fit: MixedFit, z: np.ndarray) -> MeanCells:
        """Combinations of the other factors, and zones, at every setting."""
        design = self.result.design
        choices = [[self.held[f]] if f in self.held else design.levels[f] for f in self.others]
        names = [*self.others]
        if self.reading.zones:
            choices.append(list(self.reading.zones))
            names.append("zone")
        cells = pd.DataFrame(list(product(*choices)), columns=names)
        frame = cells.iloc[np.tile(np.arange(len(cells)), len(z))].reset_index(drop=True)
        own = self.columns(np.repeat(z, len(cells), axis=0))
        # Variances do not depend on the level of a replaced factor.
        fixed = {f: design.levels[f][0] for f in self.replaced}
        frame = frame.assign(**own, **dict.fromkeys(self.covariates, 0.0), **fixed)
        categories = {f: list(design.levels[f]) for f in design.names}
        if self.reading.zones:
            categories["zone"] = list(self.reading.zones)
        for name, levels in categories.items():
            frame[name] = pd.Categorical(frame[name], categories=levels)
        weights = zone_weights(
            self.reading, frame["zone"] if self.reading.zones else (), len(cells)
        )
        return MeanCells(fit.fixed_part.matrix(frame), fit.random_variance(frame), weights)

    def means(self, fit: MixedFit, z: np.ndarray) -> Means:
        return means_of(fit, self.reading, self.cells(fit, z))

    def rows(self, fit: MixedFit, z: np.ndarray) -> np.ndarray:
        """Linear functions of the linear predictor at every setting, shape (settings, terms)."""
        return self.means(fit, z).link

    def notes(self) -> tuple[Note, ...]:
        one, two = self.settings
        out = [note for s in self.settings for note in s.notes]
        for setting, square in ((one, "surface_11"), (two, "surface_22")):
            if square not in self.terms:
                values = {"label": setting.label, "distinct": setting.distinct}
                out.append(Note("surface.straight", values))
        if "surface_12" not in self.terms:
            out.append(Note("surface.act_apart", {"one": one.label, "other": two.label}))
        if averaged := [f for f in self.others if f not in self.held]:
            labels = {f.name: f.label for f in self.result.design.factors}
            factors = tuple(labels[f] for f in averaged)
            out.append(Note("surface.averaged_over", {"factors": factors}))
        return tuple(out)


def stationary_point(
    surface: SurfaceModel, fit: MixedFit, z: np.ndarray, hull: Delaunay, grid: pd.DataFrame,
    confidence: float,
) -> StationaryPoint | None:  # fmt: skip
    """The stationary point of a full second-order surface; marks its region in the grid."""
    grid["stationary"] = False
    if surface.reading.zones or not set(FURTHER) <= set(surface.terms):
        return None

    def rows(at: np.ndarray) -> np.ndarray:
        return surface.rows(fit, at)

    found = quadratic.stationary_point(rows, fit.fixed_effects.to_numpy())
    if found is None:
        return None
    region = quadratic.level_region(fit, rows, z, confidence, surface.most)
    grid["stationary"] = region
    # The region ends among the settings run if it leaves their edge alone.
    bounded = not region[grid["edge"].to_numpy()].any()
    inside = bool(hull.find_simplex(found.point[None])[0] >= 0)
    bounded &= inside
    at = tuple(float(s.decode(v)) for s, v in zip(surface.settings, found.point, strict=True))
    eigenvalues = tuple(map(float, found.eigenvalues))
    return StationaryPoint((at[0], at[1]), found.kind, eigenvalues, inside, bounded)
