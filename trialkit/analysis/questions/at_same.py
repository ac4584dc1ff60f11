"""The second answer: setups compared at the same speed, or what else was measured after them.

The analysis itself tells the whole effect of choosing a setup. Part of it may come about through
something the setup changes, such as the speed at which an operator drives. The response's own
model is refitted with that as a covariate; means and contrasts are those at its mean. This is the
effect beside that path only if nothing else moves both the covariate and the response from strip
to strip, which a trial that did not set the covariate by lot cannot show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.comparisons import refit
from trialkit.analysis.estimates import estimate_factors
from trialkit.analysis.measured import ends_last, with_bushels
from trialkit.analysis.noted import Noted
from trialkit.display import card, table
from trialkit.errors import DesignError, ModelError
from trialkit.facts import Note
from trialkit.quantities import lower_first, upper_first
from trialkit.words import at_same as words

if TYPE_CHECKING:
    from trialkit.analysis.design import Design
    from trialkit.analysis.result import ResponseResult
    from trialkit.mixed import MixedFit


@dataclass(frozen=True, slots=True)
class AtSame(Noted):
    """Setups compared as if strips had been alike in what was measured after a setup acted.

    Attributes
    ----------
    covariates : tuple of str
        Centred columns that were added to the response's own model.
    response_title, unit : str
        Of the response.
    fit : MixedFit or None
        None where the model could not be fitted; `reason` then says why.
    design : Design
        The response's own with these covariates, and what they leave of degrees of freedom.
    means, contrasts : DataFrame
        As those of `ResponseAnalysis`; contrasts are empty where there is no fit.
    reason : str
    notes : tuple of Note
        Which mean is too near zero for a ratio.
    """

    covariates: tuple[str, ...]
    response_title: str
    unit: str
    fit: MixedFit | None
    design: Design
    means: pd.DataFrame
    contrasts: pd.DataFrame
    reason: str = ""
    notes: tuple[Note, ...] = ()

    @property
    def what(self) -> str:
        """What strips are held alike in: "ground speed"."""
        return words.what(self.covariates)

    @property
    def title(self) -> str:
        """ "At the same ground speed"."""
        return words.title(self.covariates)

    @property
    def words(self) -> str:
        """What it answers, and what it does not."""
        if self.fit is None:
            return words.none(self.covariates, self.reason)
        return words.meaning(self.covariates)

    def _repr_html_(self) -> str:
        parts = []
        if len(self.contrasts):
            columns = ["label", "ratio", "difference", "df", "p_adjusted"]
            shown = ends_last(self.contrasts, columns)
            names = {"label": "level", "difference": f"difference, {self.unit}",
                     "difference bu ac": "difference, bu/ac"}  # fmt: skip
            parts.append(table(shown, "Against the reference", names=names))
        heading = f"{self.response_title}, {self.unit}: {lower_first(self.title)}"
        return card(heading, [self.words, *self.sentences], *parts)


def at_same(result: ResponseResult) -> AtSame | None:
    """The second answer of a response; None where nothing measured after the setups speaks for one.

    Parameters
    ----------
    result : ResponseAnalysis
        Keeps the answer, so that it is fitted once.
    """
    if "at_same" not in result.kept:
        result.kept["at_same"] = _fitted(result)
    answer: AtSame | None = result.kept["at_same"]
    return answer


def _fitted(result: ResponseResult) -> AtSame | None:
    own = result.design
    added = own.measured_after
    if not added:
        return None
    begin = (added, result.title, result.unit)
    covariates = (*own.covariates, *added)
    design = own.with_parts(covariates=covariates, measured_after=())
    try:
        fit = refit(result, " + ".join([result.formula, *added]))
        means, contrasts, notes = estimate_factors(fit, design, result.reading, result.level)
    except (ModelError, DesignError, np.linalg.LinAlgError) as error:
        none = result.means.head(0), result.contrasts.head(0)
        reason = upper_first(f"{str(error).strip().rstrip('.')}.")
        return AtSame(*begin, None, design, *none, reason)
    if result.unit == "kg/ha":
        means = with_bushels(means, ("estimate", "low", "high"))
        contrasts = with_bushels(contrasts, ("difference", "difference_low", "difference_high"))
    return AtSame(*begin, fit, design, means, contrasts, "", tuple(notes))
