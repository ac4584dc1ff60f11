"""What an analysis hands to plots, reports and decisions."""

from __future__ import annotations

import html
from dataclasses import dataclass

import pandas as pd

from trialkit.analysis.design import Design
from trialkit.analysis.estimates import Offset, Reading
from trialkit.analysis.specifications import Specification
from trialkit.losses import Losses
from trialkit.mixed import MixedFit
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True)
class ResponseAnalysis:
    """One response of a trial, its model and what the model says of the setups.

    Attributes
    ----------
    response, title, unit : str
        Name, heading and unit, such as ``"header_loss"`` in kg/ha, ``"kernel_damage"`` in %.
    specification : Specification
        Its entry in `trialkit.analysis.specifications`: rows, family, whether ratios have a
        meaning.
    data : DataFrame
        The rows the model saw, one per frame, sample, search or strip.
    model, formula, why : str
        The model in words, its fixed part, and why this one.
    fit : MixedFit
    design : Design
        The design the model was chosen from.
    scale, offset : float, Offset or None
        `unit` per unit of the response's mean, and what is taken off every mean (`unit`).
    means : DataFrame
        One row per factor level: ``factor, level, label, estimate, se, df, low, high`` in `unit`,
        averaged over random effects and over the levels of the other factors; in kg/ha also
        ``estimate_bu_ac, low_bu_ac, high_bu_ac``.
    contrasts : DataFrame
        One row per level against its reference: ``factor, level, reference, label``; ``ratio``
        and ``difference`` (level less reference, `unit`; in kg/ha also in bu/ac) with ``_low``
        and ``_high``; ``df, statistic, p`` of the test that the difference is zero;
        ``p_adjusted`` by Holm within the factor. A ratio is missing where a mean is too near
        zero to carry one, and throughout where the specification has no ratios. A score has
        also ``p_rank``, the exact test of ranks within blocks, and ``n_blocks``.
    term_tests, variances : DataFrame
        F tests of the fixed terms, a factor's own balanced over the factors it interacts with, and
        variance components; both on the model's scale.
    by_strip : DataFrame
        ``strip, field, pair, main_strip, setup``, the factors, ``value`` (measured, `unit`), ``n``.
    by_field : DataFrame
        Measured difference from the reference in each field, mean over its pairs: ``field, factor,
        level, reference, label, difference, se, df, low, high, n_pairs``; empty for one field.
    notes : tuple of str
        What was assumed, left out, or should be known of the fit.
    """

    response: str
    title: str
    unit: str
    specification: Specification
    data: pd.DataFrame
    model: str
    formula: str
    why: str
    fit: MixedFit
    design: Design
    scale: float
    offset: Offset | None
    means: pd.DataFrame
    contrasts: pd.DataFrame
    term_tests: pd.DataFrame
    variances: pd.DataFrame
    by_strip: pd.DataFrame
    by_field: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def reading(self) -> Reading:
        """How means are read off the fit, or off another fit of the same rows."""
        return self.specification.reading(self.scale, self.offset)

    def _repr_html_(self) -> str:
        parts = [
            f"<h4>{html.escape(self.title)}, {html.escape(self.unit)}</h4>",
            f"<p>{html.escape(self.model)}</p>",
        ]
        parts += [
            table.to_html(index=False, float_format="{:.3g}".format, na_rep="")
            for table in (self.means, self.contrasts)
        ]
        return "".join(parts)


@dataclass(frozen=True, slots=True)
class TrialAnalysis:
    """A trial's losses and the models its design calls for.

    Attributes
    ----------
    trial : Trial
    losses : Losses
    responses : dict of str to ResponseAnalysis
    skipped : dict of str to str
        Responses not analysed, each with the reason in a sentence. Header loss and kernel damage
        always stand here or in `responses`; others only where the trial holds data for them.
    level : float
        Confidence level of all intervals.
    warnings : tuple of str
        Counts worth a second look, all of them in the analysis, and what the losses assume.
    """

    trial: Trial
    losses: Losses
    responses: dict[str, ResponseAnalysis]
    skipped: dict[str, str]
    level: float
    warnings: tuple[str, ...]

    def _repr_html_(self) -> str:
        parts = [result._repr_html_() for result in self.responses.values()]
        parts += [
            f"<p>{html.escape(text)}</p>" for text in (*self.skipped.values(), *self.warnings)
        ]
        return "".join(parts)
