"""What an analysis found: plain data that further questions are asked of (`questions`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from trialkit.analysis.design import Design
from trialkit.analysis.judges import Judge
from trialkit.analysis.noted import Noted
from trialkit.analysis.reading import Offset, Reading
from trialkit.analysis.specifications import Specification, reading_of
from trialkit.facts import Note
from trialkit.losses import Losses
from trialkit.mixed import MixedFit
from trialkit.trial import Trial
from trialkit.words import said, say


@dataclass(frozen=True, slots=True)
class ResponseResult(Noted):
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
    described : Note
        The model (`model` in words).
    formula : str
        Its fixed part.
    reasons : tuple of Note
        Why this one (`why` in words).
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
        ``primary``, whether the trial is about this response; ``p_adjusted`` by Holm, within the
        factor for the primary response, over all comparisons of all other responses else
        (`trialkit.analysis.family`); where there is a classical test of the same strips, its
        ``p_classical, df_classical``, name (``classical``) and ``p_classical_adjusted``, adjusted
        alike. A ratio is missing where a mean is too near zero to carry one, and throughout where
        the specification has no ratios. A score has also ``p_rank``, the exact test of ranks
        within blocks, and ``n_blocks``.
    term_tests, variances : DataFrame
        F tests of the fixed terms, a factor's own balanced over the factors it interacts with, and
        variance components; both on the model's scale.
    by_strip : DataFrame
        ``strip, field, pair, main_strip, setup``, the factors, ``value`` (measured, `unit`), ``n``.
    by_field : DataFrame
        Measured difference from the reference in each field, mean over its pairs: ``field, factor,
        level, reference, label, difference, se, df, low, high, n_pairs``; empty for one field.
    judges : mapping
        Factor name to what judges its comparisons: the fixed effects integrated over the spread
        of its error, or the most degrees of freedom it may have (`judges`).
    notes : tuple of Note
        What was assumed, left out, or should be known of the fit (`sentences` in words).
    level : float
        Confidence level of the intervals.
    kept : dict
        Answers to questions that cost a fit, by the question, once they were asked.
    """

    response: str
    title: str
    unit: str
    specification: Specification
    data: pd.DataFrame
    described: Note
    formula: str
    reasons: tuple[Note, ...]
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
    judges: Mapping[str, Judge]
    notes: tuple[Note, ...]
    level: float
    kept: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def model(self) -> str:
        """The model in words."""
        return say(self.described)

    @property
    def why(self) -> str:
        """Why this model, in words."""
        return " ".join(said(self.reasons))

    @property
    def primary(self) -> bool:
        """Whether the trial is first of all about this response; so where it stands alone."""
        return bool(self.contrasts.get("primary", pd.Series(True)).all())

    @property
    def reading(self) -> Reading:
        """How means are read off the fit, or off another fit of the same rows."""
        return reading_of(self.specification, self.scale, self.offset)


@dataclass(frozen=True, slots=True)
class TrialResult:
    """A trial's losses and the models its design calls for.

    Attributes
    ----------
    trial : Trial
        As it was given, with the strips that their status leaves out; `used` is without them.
    losses : Losses
    responses : dict of str to ResponseResult
    skipped : dict of str to str
        Responses not analysed, each with the reason in a sentence. Header loss and kernel damage
        always stand here or in `responses`; others only where the trial holds data for them.
    level : float
        Confidence level of all intervals.
    warnings : tuple of str
        What contradicts itself in the tables (`trialkit.contradictions`), all of it in the
        analysis, and what the losses assume.
    lost : tuple of Note
        Where a third or more of the strips is lost: what there is to say of it first.
    """

    trial: Trial
    losses: Losses
    responses: Mapping[str, ResponseResult]
    skipped: dict[str, str]
    level: float
    warnings: tuple[str, ...]
    lost: tuple[Note, ...] = ()

    @property
    def used(self) -> Trial:
        """The trial as it was analysed: less what its users' word leaves out."""
        return self.trial.used

    @property
    def primary(self) -> str:
        """Name of the response the trial is first of all about; its p-values keep their level."""
        return next(name for name, result in self.responses.items() if result.primary)

    @property
    def comparisons(self) -> pd.DataFrame:
        """Contrasts of all responses in one tidy table, one row a level against its reference.

        Columns: ``response, title, unit``; those of `ResponseResult.contrasts` (SI); with the
        level's and the reference's adjusted mean as ``mean`` and ``reference_mean``.
        """
        tables = []
        for result in self.responses.values():
            means = result.means.set_index(["factor", "level"])["estimate"]
            own = result.contrasts
            table = own[[c for c in own.columns if not c.endswith("_bu_ac")]].copy()
            for place, (name, of) in enumerate(
                (("mean", "level"), ("reference_mean", "reference"))
            ):
                keys = list(zip(own["factor"], own[of], strict=True))
                table.insert(4 + place, name, means.loc[keys].to_numpy())
            for place, name in enumerate(("response", "title", "unit")):
                table.insert(place, name, getattr(result, name))
            tables.append(table)
        return pd.concat(tables, ignore_index=True)
