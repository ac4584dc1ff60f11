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

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy import stats
from scipy.spatial import ConvexHull, Delaunay, QhullError

from trialkit.analysis.comparisons import against, differences, singly
from trialkit.analysis.noted import Found, of_the_engine
from trialkit.analysis.questions import quadratic
from trialkit.analysis.questions.polynomial import check_pair, polynomial_terms, term_words
from trialkit.analysis.questions.settings import Setting, read_setting
from trialkit.analysis.questions.surface_findings import shown
from trialkit.analysis.questions.surface_model import (
    StationaryPoint,
    SurfaceModel,
    stationary_point,
)
from trialkit.analysis.result import ResponseResult
from trialkit.analysis.specifications import Better
from trialkit.display import card, folded, paragraphs, table
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.mixed import MixedFit
from trialkit.words import surface as surface_words


@dataclass(frozen=True, slots=True)
class ResponseSurface(Found):
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
    findings, notes : tuple of Note
        What it shows (`words`) and what it rests on (`sentences`).
    """

    result: ResponseResult
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
    findings: tuple[Note, ...]
    notes: tuple[Note, ...]

    def _repr_html_(self) -> str:
        first, second = self.settings
        columns = [first.name, second.name, "estimate", "low", "high"]
        best = self.best[columns].to_frame().T.astype(float)
        names = {s.name.replace("_", " "): f"{s.label}, {s.unit}" for s in self.settings}
        names["estimate"] = f"estimate, {self.result.unit}"
        return card(
            surface_words.heading(self.result.title, first.label, second.label),
            [*self.words, surface_words.in_brackets(self.confidence)],
            table(best, surface_words.best_run(), names=names),
            folded(
                surface_words.rests_on(),
                table(self.tests),
                paragraphs(self.sentences),
            ),
        )


def response_surface(
    result: ResponseResult, settings: tuple[str, str] = ("gap", "speed"), *,
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
    surface = SurfaceModel(result, (one, two), tuple(terms), dict(hold or {}))
    fit = surface.refit()
    z, edge, hull, z_hull = _inside(coded, points)
    grid, critical = _grid(surface, fit, z, margin, better, confidence)
    grid["edge"] = edge
    place = stationary_point(surface, fit, z, z_hull, grid, confidence)
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
    return ResponseSurface(
        result, fit, (one, two), tuple(names[t] for t in terms), surface.held, strips, corners,
        grid, best, better, margin, confidence, critical, tests, place,
        shown(surface, grid, best, better, margin, confidence, place),
        surface.notes() + of_the_engine(fit.notes),
    )  # fmt: skip


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
    surface: SurfaceModel, fit: MixedFit, z: np.ndarray, margin: float, better: Better,
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
