"""One response's model on the same strips, again and again, with new counts.

Simulated trials of one layout differ in their counts alone. What follows from the layout (design,
columns of the model, cells of the means) is worked out once, and every further round is a refit
from the first round's optimum: the criterion and the answers read off it are those of
`analyse_response`. A round whose counts do not suit that model (nothing found under a setup, no
optimum) takes `analyse_response`'s own way: zeros checked, then the model without its finer parts.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis import preharvest
from trialkit.analysis.comparisons import against
from trialkit.analysis.design import Design
from trialkit.analysis.estimates import (
    LARGEST_SE,
    LARGEST_SPREAD,
    check_held,
    clear_of_zero,
    contrast_columns,
)
from trialkit.analysis.intervals import compare_means, mean_intervals
from trialkit.analysis.judges import judges
from trialkit.analysis.reading import MeanCells, Offset, Reading, means_of, setting_cells
from trialkit.analysis.responses import _fit
from trialkit.analysis.specifications import reading_of
from trialkit.analysis.zeros import check_zeros
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import MixedFit
from trialkit.mixed.means import reference_grid
from trialkit.mixed.parallel import stop_run_off

if TYPE_CHECKING:
    from trialkit.analysis.specifications import InUnit, Specification

__all__ = ["ANSWERS", "Rounds"]

ANSWERS = (
    "p", "p_adjusted", "estimate", "se", "df", "ratio", "ratio_low", "ratio_high", "difference",
    "difference_low", "difference_high",
)  # fmt: skip
"""What a round tells of a contrast; `estimate, se, df` are those of it as tested (`estimates`)."""


@dataclass(slots=True)
class Rounds:
    """Answers of a response of counts, round by round.

    Attributes
    ----------
    spec : Specification
        A response of counts in one zone, or of damaged among examined kernels.
    design : Design
        Of the strips; what `read_design` makes of them.
    data : DataFrame
        A row a frame or sample: the strip's columns, the row's label under ``spec.row`` and its
        area or number examined. Counts are put in round by round.
    scale : InUnit
    level : float
        Confidence level.
    ahead : DataFrame or None
        Preharvest frames with their strip's ``field``, where the response is defined less them.
    """

    spec: Specification
    design: Design
    data: pd.DataFrame
    scale: InUnit
    level: float
    ahead: pd.DataFrame | None = None
    _first: MixedFit | None = None
    _first_ahead: MixedFit | None = None
    _filled_by: list[np.ndarray] | None = None
    _grids: dict[str, tuple[MeanCells, pd.DataFrame]] = field(default_factory=dict)

    @property
    def contrasts(self) -> pd.DataFrame:
        """``factor, level, reference`` of every contrast, in the order of the answers."""
        return pd.DataFrame(
            [
                {"factor": f.name, "level": name, "reference": self.design.levels[f.name][0]}
                for f in self.design.factors
                for name in self.design.levels[f.name][1:]
            ]
        )

    def answer(self, counts: np.ndarray, ahead: np.ndarray | None = None) -> np.ndarray:
        """What a trial with these counts would report.

        Parameters
        ----------
        counts : ndarray, shape (rows,)
            In the order of `data`.
        ahead : ndarray, shape (rows ahead,), optional
            Preharvest counts, in the order of `ahead`.

        Returns
        -------
        ndarray, shape (contrasts, len(ANSWERS))

        Raises
        ------
        DesignError, ModelError
            When the trial could not be analysed.
        """
        offset = self._offset(ahead)
        if self._first is not None and self._filled(counts):
            try:
                fit = self._first.refit(counts)
                stop_run_off(self._first, fit)
                return self._read(fit, self.design, offset)
            except (ModelError, DesignError, np.linalg.LinAlgError):
                pass  # the whole way says whether there is an answer
        data = self.data.assign(**{self.spec.response: counts})
        design = check_zeros(data, self.design, self.spec, self.scale)
        try:
            fit, fitted = _fit(self.spec, data, design)
        except np.linalg.LinAlgError as error:
            raise ModelError(str(error)) from error
        if self._first is None and fitted is self.design:
            self._first = fit
        return self._read(fit, fitted, offset)

    def _filled(self, counts: np.ndarray) -> bool:
        """Whether every cell of the fixed part holds something, and not all of it damaged."""
        if self._filled_by is None:
            terms = [[name] for name in self.design.names]
            terms += [list(pair) for pair in self.design.interactions]
            self._filled_by = [
                self.data.groupby(term, observed=True).ngroup().to_numpy() for term in terms
            ]
        for cell in self._filled_by:
            found = np.bincount(cell, counts)
            if not found.all():
                return False
            if self.spec.family == "binomial":
                size = self.data[self.spec.size].to_numpy(dtype=float)
                if (found == np.bincount(cell, size)).any():
                    return False
        return True

    # ------------------------------------------------------------ what lay there before
    def _offset(self, counts: np.ndarray | None) -> Offset | None:
        """As `preharvest_density` finds it, by a refit where there is a fit to start from."""
        if self.ahead is None or counts is None:
            return None
        name, value = self.spec.response, self.scale.value
        if self._first_ahead is not None and counts.any():
            try:
                fit = self._first_ahead.refit(counts)
                stop_run_off(self._first_ahead, fit)
                spread = sum(float(c[0, 0]) for c in fit.covariances)
                if spread <= preharvest.LARGEST_SPREAD:
                    return _from_fit(fit, value, spread)
            except (ModelError, np.linalg.LinAlgError):
                pass
        rows = self.ahead.assign(**{name: counts})
        enough = rows["strip"].nunique() >= preharvest.MODEL_STRIPS and counts.any()
        if self._first_ahead is None and enough:
            with suppress(ModelError, np.linalg.LinAlgError):
                self._first_ahead = preharvest._fit(rows.assign(count=counts))
        return preharvest.preharvest_density(
            rows, name, self.spec.row, "loss", value, self.scale.unit
        )[0]

    # ------------------------------------------------------------ reading
    def _read(self, fit: MixedFit, design: Design, offset: Offset | None) -> np.ndarray:
        """The contrasts of `estimate_factors`, as an array."""
        reading, level = reading_of(self.spec, self.scale.value, offset), self.level
        most = len(design.strips) - 1
        judged, out = None, []
        for factor in design.factors:
            cells = self._cells(fit, design, reading, factor.name)
            with np.errstate(all="ignore"):
                known = np.einsum("ij,jk,ik->i", cells.rows, fit.inference.adjusted, cells.rows)
            if not (known < LARGEST_SE**2).all() or not cells.spread.max() < LARGEST_SPREAD:
                check_held(fit, cells, reading)
            if judged is None:
                judged = judges(fit, design)
            means = means_of(fit, reading, cells)
            clear = clear_of_zero(reading, mean_intervals(fit, means, reading, level, most)[0])
            found = compare_means(fit, reading, *against(means), judged[factor.name])
            own = contrast_columns(found, clear, level)
            own |= {"estimate": found.estimate, "se": found.se}
            out.append(np.column_stack([own[name] for name in ANSWERS]))
        return np.vstack(out)

    def _cells(self, fit: MixedFit, design: Design, reading: Reading, factor: str) -> MeanCells:
        """`setting_cells`; of the design's own model only the variances are worked out anew."""
        if design is not self.design:
            return setting_cells(fit, design, reading, factor)
        if factor not in self._grids:
            by = [factor, *(name for name in design.names if name != factor)]
            grid = reference_grid(fit, by, {})[0]
            self._grids[factor] = setting_cells(fit, design, reading, factor), grid
        cells, grid = self._grids[factor]
        return replace(cells, spread=fit.model.random_variance(grid, fit.covariances))


def _from_fit(fit: MixedFit, scale: float, spread: float) -> Offset:
    """`preharvest._from_fit`, in arrays."""
    one = np.ones((1, 1))
    value = scale * float(np.exp(fit.fixed_effects.iloc[0] + spread / 2))
    variance, df = float(fit.inference.adjusted[0, 0]), float(fit.inference.df(one)[0])
    return Offset(value, value**2 * variance, df)
