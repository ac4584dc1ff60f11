"""What an analysis hands to plots, reports and decisions."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.analysis.design import Design
from trialkit.analysis.estimates import Offset, Reading
from trialkit.analysis.family import ADJUSTED, looked_at
from trialkit.analysis.specifications import Specification
from trialkit.analysis.strata import Judge
from trialkit.display import card, folded, p_text, paragraphs, table
from trialkit.losses import Losses
from trialkit.mixed import MixedFit
from trialkit.quantities import lower_first, scales, span
from trialkit.trial import Trial

if TYPE_CHECKING:  # each is imported by the method that needs it
    from trialkit.analysis.alternatives import Alternatives
    from trialkit.analysis.at_same import AtSame
    from trialkit.analysis.checks import ModelCheck
    from trialkit.analysis.curves import EffectCurve
    from trialkit.analysis.equivalence import Equivalence
    from trialkit.analysis.fields import FieldEffects
    from trialkit.analysis.pairwise import Pairwise
    from trialkit.analysis.power import PowerAttained
    from trialkit.analysis.surface import ResponseSurface


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
        of its error, or the most degrees of freedom it may have (`strata`).
    notes : tuple of str
        What was assumed, left out, or should be known of the fit.
    level : float
        Confidence level of the intervals.
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
    judges: Mapping[str, Judge]
    notes: tuple[str, ...]
    level: float
    _kept: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def at_same(self) -> AtSame | None:
        """The second answer, at the same speed, see `trialkit.analysis.at_same.at_same`.

        Fitted when first asked for; None where it would add nothing to the first.
        """
        from trialkit.analysis.at_same import at_same

        if "at_same" not in self._kept:
            self._kept["at_same"] = at_same(self)
        return self._kept["at_same"]

    @property
    def primary(self) -> bool:
        """Whether the trial is first of all about this response; so where it stands alone."""
        return bool(self.contrasts.get("primary", pd.Series(True)).all())

    @property
    def reading(self) -> Reading:
        """How means are read off the fit, or off another fit of the same rows."""
        return self.specification.reading(self.scale, self.offset)

    @property
    def adjusted_within(self) -> str:
        """For which comparisons ``p_adjusted`` is adjusted, in words."""
        return "within the factor" if self.primary else "over all but the primary response"

    # Further questions; what they take and raise is told where each is answered.
    def pairwise(self, factor: str | None = None, adjust: str = "tukey") -> Pairwise:
        """Every two levels of a factor compared, see `trialkit.analysis.pairwise.pairwise`."""
        from trialkit.analysis.pairwise import pairwise

        return pairwise(self, factor, adjust=adjust, level=self.level)

    def alternatives(self) -> Alternatives:
        """Other models' answers, see `trialkit.analysis.alternatives.alternatives`."""
        from trialkit.analysis.alternatives import alternatives

        return alternatives(self, self.level)

    def check(
        self, seed: int = 1, *, n: int = 500, influence: bool = True,
        progress: Callable[[str], None] | None = None,
    ) -> ModelCheck:  # fmt: skip
        """Does the model hold, see `trialkit.analysis.checks.check_model`."""
        from trialkit.analysis.checks import check_model

        return check_model(
            self, seed, n=n, level=self.level, influence=influence, progress=progress
        )

    def power(
        self, factor: str | None = None, level: str | None = None, **aims: Any
    ) -> PowerAttained:
        """What the trial could tell, see `trialkit.analysis.power.power_attained`."""
        from trialkit.analysis.power import power_attained

        return power_attained(self, factor, level, confidence=self.level, **aims)

    def field_effects(self, factor: str | None = None) -> FieldEffects:
        """Effects field by field, see `trialkit.analysis.fields.field_effects`."""
        from trialkit.analysis.fields import field_effects

        return field_effects(self, factor, level=self.level)

    def effect_along(self, covariate: str = "moisture", **chosen: Any) -> EffectCurve:
        """An effect along moisture or speed, see `trialkit.analysis.curves.effect_curve`."""
        from trialkit.analysis.curves import effect_curve

        return effect_curve(self, covariate, confidence=self.level, **chosen)

    def surface(
        self, settings: tuple[str, str] = ("gap", "speed"), **options: Any
    ) -> ResponseSurface:
        """The response over two settings, see `trialkit.analysis.surface.response_surface`."""
        from trialkit.analysis.surface import response_surface

        return response_surface(self, settings, confidence=self.level, **options)

    def no_more_than(self, margin: float, **options: Any) -> Equivalence:
        """One-sided test of a margin, see `trialkit.analysis.equivalence.no_more_than`."""
        from trialkit.analysis.equivalence import no_more_than

        return no_more_than(self, margin, **options)

    def equivalence(self, margin: float | tuple[float, float], **options: Any) -> Equivalence:
        """Two one-sided tests of a margin, see `trialkit.analysis.equivalence.equivalence`."""
        from trialkit.analysis.equivalence import equivalence

        return equivalence(self, margin, **options)

    def __repr__(self) -> str:
        return f"ResponseAnalysis({self.response!r}, {self.unit}: {self.model})"

    def _repr_html_(self) -> str:
        names = {"label": "", "estimate": f"mean, {self.unit}", "estimate bu ac": "mean, bu/ac",
                 "difference": f"difference, {self.unit}",
                 "difference bu ac": "difference, bu/ac"}  # fmt: skip
        second = self.at_same
        return card(
            f"{self.title}, {self.unit}",
            [
                self.model,
                f"{100 * self.level:g} % intervals in brackets. Differences are the level less its "
                f"reference, ratios the level over it; p adjusted {self.adjusted_within}.",
            ],
            table(ends_last(self.means, ["label", "estimate"]), "Adjusted means", names=names),
            table(
                ends_last(
                    self.contrasts, ["label", "ratio", "difference", "df", "p", "p_adjusted"]
                ),
                "Against the reference",
                names=names | {"label": "level"},
            ),
            *([folded(second.title, second._repr_html_())] if second is not None else []),
            *([folded("Notes", paragraphs(self.notes))] if self.notes else []),
        )


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

    def __getitem__(self, response: str) -> ResponseAnalysis:
        """The analysis of one response, by name.

        Raises
        ------
        KeyError
            With the reason where the response was not analysed.
        """
        if response in self.responses:
            return self.responses[response]
        known = f"analysed: {', '.join(self.responses)}"
        raise KeyError(self.skipped.get(response, f"no response {response!r}; {known}."))

    def __iter__(self) -> Iterator[str]:
        return iter(self.responses)

    @property
    def primary(self) -> str:
        """Name of the response the trial is first of all about; its p-values keep their level."""
        return next(name for name, result in self.responses.items() if result.primary)

    @property
    def comparisons(self) -> pd.DataFrame:
        """Contrasts of all responses in one tidy table, one row a level against its reference.

        Columns: ``response, title, unit``; those of `ResponseAnalysis.contrasts` (SI); with the
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

    def __repr__(self) -> str:
        return f"TrialAnalysis({self.trial.config.title!r}: {', '.join(self.responses)})"

    def _repr_html_(self) -> str:
        told = pd.DataFrame(
            [row for result in self.responses.values() for row in _told(result, self.trial)]
        )
        level = f"{100 * self.level:g} % intervals in brackets. {ADJUSTED}"
        return card(
            f"{self.trial.config.title} ({self.trial.config.season})",
            [level, *looked_at(self)],
            table(told, rows=len(told)),
            paragraphs((*self.skipped.values(), *self.warnings)),
            *(folded(result.title, result._repr_html_()) for result in self.responses.values()),
        )


def ends_last(frame: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Columns to show with the ends of their intervals, ``..._low_bu_ac`` as ``..._bu_ac_low``."""
    kept = {}
    for column in columns:
        for unit in ("", "_bu_ac"):
            if f"{column}{unit}" not in frame or frame[f"{column}{unit}"].isna().all():
                continue
            kept[f"{column}{unit}"] = frame[f"{column}{unit}"]
            for end in ("_low", "_high"):
                own = f"{'' if column == 'estimate' else column}{end}{unit}".lstrip("_")
                if own in frame:
                    kept[f"{column}{unit}{end}"] = frame[own]
    return pd.DataFrame(kept)


def _told(result: ResponseAnalysis, trial: Trial) -> Iterator[dict[str, str]]:
    """A line for every comparison of a response, in the trial's own units."""
    labels = {
        f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
    }
    scale = scales(result.unit, trial.config.units)[0]
    for row in result.contrasts.to_dict("records"):
        reference = lower_first(labels[row["factor"]][row["reference"]])
        value, low, high = (row[f"difference{end}"] for end in ("", "_low", "_high"))
        found = span(value, low, high, scale)
        yield {
            "response": result.title,
            "comparison": f"{row['label']} against {reference}",
            "difference": f"{found.value} {scale.unit} ({found.interval})",
            "p": p_text(row["p"]),
            "p adjusted": p_text(row["p_adjusted"]),
        }
