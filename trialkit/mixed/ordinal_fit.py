"""OrdinalFit: a fitted proportional odds model with every question that can be put to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.display import card, table
from trialkit.errors import ModelError
from trialkit.mixed import notes, ordinal_check, ordinal_means
from trialkit.mixed.ordinal_fitted import OrdinalFitted
from trialkit.mixed.ordinal_search import estimate_ordinal


class OrdinalFit(OrdinalFitted):
    """A proportional odds model fitted by :func:`trialkit.mixed.ordinal.fit_ordinal`.

    What it holds is described in :class:`~trialkit.mixed.ordinal_fitted.OrdinalFitted`.
    """

    coefficients = ordinal_means.coefficients
    contrasts = ordinal_means.contrasts
    probabilities = ordinal_means.probabilities
    proportional_odds = ordinal_check.proportional_odds

    def refit(self, scores: Sequence[Any] | np.ndarray) -> OrdinalFit:
        """Fit the same model to new scores, shape (rows,), rows in the order of the input.

        Raises
        ------
        ModelError
            If the number of scores differs, one is not among ``categories``, all are alike, or
            the model cannot be fitted to them.
        """
        place = {value: i for i, value in enumerate(self.categories)}
        if len(scores) != self.n_rows:
            raise ModelError(f"refit needs {self.n_rows} scores, got {len(scores)}.")
        foreign = sorted({str(s) for s in scores if s not in place})
        if foreign:
            raise ModelError(f"scores {foreign} are not among those read: {self.categories}.")
        held, codes = np.unique([place[s] for s in scores], return_inverse=True)
        if len(held) < 2:
            raise ModelError(f"every score is {self.categories[held[0]]}: nothing to compare.")
        codes, categories = codes[self.model.chain.order], tuple(self.categories[i] for i in held)
        found = estimate_ordinal(self.model, codes, categories, self.criterion.nodes)
        return OrdinalFit(self.model, codes, categories, self.unused, *found)

    @property
    def title(self) -> str:
        """The model in one line."""
        model = self.model
        return notes.model_heading(
            "proportional odds", model.response, model.fixed,
            model.levels_text if model.chain.n_levels else "",
            f"{self.n_rows} readings of {len(self.categories)} scores",
            notes.ordinal_heading(self.criterion.nodes, self.loglik),
        )  # fmt: skip

    def _tables(self) -> Sequence[pd.DataFrame]:
        return self.coefficients(), self.thresholds, self.variances

    def __repr__(self) -> str:
        parts = [self.title, *(t.round(4).to_string() for t in self._tables())]
        return "\n\n".join([*parts, *(f"note: {n}" for n in self.notes)])

    def _repr_html_(self) -> str:
        return card(self.title, self.notes, *map(table, self._tables()))
