"""A response over stripper-plate gap and ground speed: a second-order response surface.

The response's own model is refitted with a polynomial of two numeric settings, coded to -1..1, in
the place of the setup factors that set them; other setup factors keep their effects and, where the
design has their interaction, change its slope; a difference between zones has a polynomial for each
zone. Terms are kept only as far as distinct settings
identify them: settings nearer than a quarter of the range count as one, so that the scatter of a
measured speed about its target does not pass for a third speed. What the surface says is confined
to the convex hull of the settings run. The mathematics and its sources are in `quadratic`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd
from scipy import stats
from scipy.spatial import ConvexHull, Delaunay, QhullError

from trialkit.analysis import quadratic
from trialkit.analysis.comparisons import against, differences, refit, singly
from trialkit.analysis.polynomial import (
    FURTHER,
    LINEAR,
    check_pair,
    polynomial_terms,
    power,
    term_words,
)
from trialkit.analysis.reading import Cells, Means, Reading, means_of, zone_weights
from trialkit.analysis.result import ResponseAnalysis
from trialkit.analysis.settings import Setting, read_setting
from trialkit.analysis.specifications import Better
from trialkit.analysis.surface_words import describe
from trialkit.display import card, folded, paragraphs, table
from trialkit.errors import DesignError
from trialkit.mixed import MixedFit

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
        where = "among the settings run" if self.inside else "outside the settings run"
        bounded = "ends inside them" if self.bounded else "runs out of them: it is not pinned down"
        return card(
            f"Stationary point: {self.kind}",
            [
                f"At {self.at[0]:.4g} and {self.at[1]:.4g}, {where}; its confidence region "
                f"{bounded}."
            ],
        )


@dataclass(frozen=True, slots=True)
class ResponseSurface:
    """A response over two settings.

    Attributes
    ----------
    result : ResponseAnalysis
    fit : MixedFit
        The model with the polynomial.
    settings : (Setting, Setting)
    terms : tuple of str
        Terms of the polynomial in words.
    held : dict
        Other factor to the level the surface is for; those not named are averaged.
    strips : DataFrame
        ``strip`` and the two settings by name.
    hull : ndarray, shape (corners, 2)
        Convex hull of the settings run, in their units.
    grid : DataFrame
        Points inside it: the two settings; ``estimate, se, df, low, high`` in the result's unit,
        pointwise; ``excess``, how much worse than the best estimate (above it, or below where
        higher is better), with ``excess_low, excess_high``, one-sided bounds of the same from the
        true best, whichever it is; ``near_best``, not shown to be worse than it by more than the
        margin; ``within``, shown not to; ``stationary``, in the region of the stationary point;
        ``edge``, added along the hull's edge, beside the regular grid.
    best : Series
        The row of `grid` with the lowest estimate, the highest where higher is better.
    better : {"lower", "higher"}
    margin, confidence : float
        In the result's unit; of every interval and region.
    critical : float
        Of the largest difference of a setting from any other, one-sided.
    tests : DataFrame
        F tests of the terms, model's scale.
    stationary : StationaryPoint or None
        None where the surface is not of full second order; a difference between zones, each with
        a surface of its own, is not.
    words, notes : tuple of str
    """

    result: ResponseAnalysis
    fit: MixedFit
    settings: tuple[Setting, Setting]
    terms: tuple[str, ...]
    held: dict[str, str]
    strips: pd.DataFrame
    hull: np.ndarray
    grid: pd.DataFrame
    best: pd.Series
    better: Better
    margin: float
    confidence: float
    critical: float
    tests: pd.DataFrame
    stationary: StationaryPoint | None
    words: tuple[str, ...]
    notes: tuple[str, ...]

    def _repr_html_(self) -> str:
        first, second = self.settings
        columns = [first.name, second.name, "estimate", "low", "high"]
        best = self.best[columns].to_frame().T.astype(float)
        names = {s.name.replace("_", " "): f"{s.label}, {s.unit}" for s in self.settings}
        names["estimate"] = f"estimate, {self.result.unit}"
        return card(
            f"{self.result.title} over {first.label.lower()} and {second.label.lower()}",
            [*self.words, f"{100 * self.confidence:g} % interval in brackets."],
            table(best, "Best of the settings run", names=names),
            folded(
                "Tests of the terms, and what it rests on",
                table(self.tests),
                paragraphs(self.notes),
            ),
        )


def response_surface(
    result: ResponseAnalysis, settings: tuple[str, str] = ("gap", "speed"), *,
    margin: float | None = None, better: Better | None = None, confidence: float = 0.95,
    hold: dict[str, str] | None = None, points: int = 31,
) -> ResponseSurface:  # fmt: skip
    """A response over two settings, and which settings are near the best.

    Parameters
    ----------
    result : ResponseAnalysis
    settings : (str, str)
        ``"gap"`` (mean of front and rear gap, mm), ``"speed"`` (measured, else as set, km/h),
        another numeric column of the strips, or a setup factor whose levels are numbers.
    margin : float, optional
        How much worse than the best still counts as near it, in the result's unit; by default the
        response's own (`Specification.near`).
    better : {"lower", "higher"}, optional
        Which end is the better one; by default the response's own (`Specification.better`).
    confidence : float
    hold : dict, optional
        Another setup factor to the level the surface is wanted for; the rest are averaged.
    points : int
        Grid points along each setting.

    Returns
    -------
    ResponseSurface

    Raises
    ------
    DesignError
        When the settings cannot answer: one did not vary, they went together, neither was run at
        three values, or one is the response itself.
    ModelError
        When the model cannot be fitted.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence!r}.")
    spec = result.specification
    margin = spec.near if margin is None else margin
    better = better or spec.better
    if not margin > 0:
        raise ValueError(f"margin must be above zero, not {margin!r}.")
    if better not in ("lower", "higher"):
        raise ValueError(f"better {better!r} is not known; choose 'lower' or 'higher'.")
    if spec.table == "strips" and spec.response in settings:
        raise DesignError(f"{result.title} cannot be a setting of its own surface; choose another.")
    one, two = (read_setting(result.design, name) for name in settings)
    coded = np.column_stack([one.code(one.values), two.code(two.values)])
    check_pair(one, two, coded)
    terms = polynomial_terms(one, two)
    surface = _Surface(result, (one, two), tuple(terms), dict(hold or {}))
    fit = surface.refit()
    z, edge, hull, z_hull = _inside(coded, points)
    grid, critical = _grid(surface, fit, z, margin, better, confidence)
    grid["edge"] = edge
    place = _stationary(surface, fit, z, z_hull, grid, confidence)
    best = grid.loc[grid["excess"].idxmin()]
    tests = fit.term_tests()
    den = np.minimum(tests["den_df"], surface.most)
    names = term_words(one, two) | {f.name: f.label for f in result.design.factors}
    tests.index = pd.Index(
        [" by ".join(names.get(v, v) for v in str(t).split(":")) for t in tests.index], name="term"
    )
    tests = tests.assign(den_df=den, p=stats.f.sf(tests["F"], tests["num_df"], den))
    strips = pd.DataFrame(
        {"strip": result.design.strips["strip"], one.name: one.values, two.name: two.values}
    )
    corners = np.column_stack([one.decode(hull[:, 0]), two.decode(hull[:, 1])])
    found = ResponseSurface(
        result, fit, (one, two), tuple(names[t] for t in terms), surface.held, strips, corners,
        grid, best, better, margin, confidence, critical, tests, place, (),
        surface.notes() + tuple(f"{n[:1].upper()}{n[1:].rstrip('.')}." for n in fit.notes),
    )  # fmt: skip
    return replace(found, words=describe(found))


@dataclass(slots=True)
class _Surface:
    """The model of a surface: its formula, rows and means."""

    result: ResponseAnalysis
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

    def cells(self, fit: MixedFit, z: np.ndarray) -> Cells:
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
        return Cells(fit.fixed_part.matrix(frame), fit.random_variance(frame), weights)

    def means(self, fit: MixedFit, z: np.ndarray) -> Means:
        return means_of(fit, self.reading, self.cells(fit, z))

    def rows(self, fit: MixedFit, z: np.ndarray) -> np.ndarray:
        """Linear functions of the linear predictor at every setting, shape (settings, terms)."""
        return self.means(fit, z).link

    def notes(self) -> tuple[str, ...]:
        one, two = self.settings
        out = [note for s in self.settings for note in s.notes]
        for setting, square in ((one, "surface_11"), (two, "surface_22")):
            if square not in self.terms:
                out.append(
                    f"{setting.label.capitalize()} was run at {setting.distinct} distinct values; "
                    "along it the surface is straight on the model's scale."
                )
        if "surface_12" not in self.terms:
            out.append(
                f"The combinations run do not tell whether the effect of {one.label} changes with "
                f"{two.label}; the two are taken to act apart."
            )
        if averaged := [f for f in self.others if f not in self.held]:
            labels = {f.name: f.label for f in self.result.design.factors}
            out.append(f"Averaged over {', '.join(labels[f] for f in averaged)}.")
        return tuple(out)


def _inside(coded: np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, Delaunay]:
    """Settings inside the convex hull of those run, which lie on its edge, its corners, itself."""
    try:
        corners = coded[ConvexHull(coded).vertices]
        triangles = Delaunay(coded)
    except QhullError:
        raise DesignError("The settings run lie on one line and span no surface.") from None
    axis = np.linspace(-1, 1, points)
    z = np.array(list(product(axis, axis)))
    middle = corners.mean(axis=0)
    # Points on the edge itself are added below.
    z = z[triangles.find_simplex(middle + (z - middle) * (1 + 1e-6)) >= 0]
    edge = along_edge(corners, max(points // 3, 5))
    return np.vstack([z, edge]), np.arange(len(z) + len(edge)) >= len(z), corners, triangles


def along_edge(corners: np.ndarray, each: int) -> np.ndarray:
    """Points along the edges of a polygon, `each` on every edge."""
    share = np.linspace(0, 1, each, endpoint=False)[:, None]
    ends = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.vstack([a + share * (b - a) for a, b in ends])


def _grid(
    surface: _Surface, fit: MixedFit, z: np.ndarray, margin: float, better: Better,
    confidence: float,
) -> tuple[pd.DataFrame, float]:  # fmt: skip
    one, two = surface.settings
    means = surface.means(fit, z)
    offset = surface.reading.taken_off
    se, df = singly(fit, means, offset, len(surface.result.design.strips) - 1)
    half = stats.t.ppf(0.5 + confidence / 2, df) * se
    sign = 1.0 if better == "lower" else -1.0
    value, gradient = sign * means.value, sign * means.gradient
    best = int(np.argmin(value))
    least = float(differences(fit, *against(means, best), surface.most).df.min())
    covariance = fit.inference.adjusted
    critical = quadratic.critical_value(gradient, covariance, least, confidence)
    single = float(stats.t.ppf(confidence, least))
    low, high = quadratic.excess(value, gradient, covariance, critical, single)
    grid = pd.DataFrame(
        {
            one.name: one.decode(z[:, 0]), two.name: two.decode(z[:, 1]),
            "estimate": means.value, "se": se, "df": df,
            "low": means.value - half, "high": means.value + half,
            "excess": value - value[best], "excess_low": low, "excess_high": high,
            "near_best": low <= margin, "within": high <= margin,
        }
    )  # fmt: skip
    return grid, critical


def _stationary(
    surface: _Surface, fit: MixedFit, z: np.ndarray, hull: Delaunay, grid: pd.DataFrame,
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
