"""What a user holds of an analysis: its data, and the questions it may be asked as methods."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.analysis.family import looked_at
from trialkit.analysis.measured import ends_last
from trialkit.analysis.questions.alternatives import Alternatives, alternatives
from trialkit.analysis.questions.at_same import AtSame, at_same
from trialkit.analysis.questions.checks import ModelCheck, check_model
from trialkit.analysis.questions.curves import EffectCurve, effect_curve
from trialkit.analysis.questions.equivalence import Equivalence, equivalence, no_more_than
from trialkit.analysis.questions.fields import FieldEffects, field_effects
from trialkit.analysis.questions.neighbours import Neighbours, neighbours
from trialkit.analysis.questions.pairwise import Pairwise, pairwise
from trialkit.analysis.questions.power_attained import PowerAttained, power_attained
from trialkit.analysis.questions.surface import ResponseSurface, response_surface
from trialkit.analysis.reading import Measure
from trialkit.analysis.result import ResponseResult, TrialResult
from trialkit.analysis.specifications import Better
from trialkit.display import card, folded, p_text, paragraphs, table
from trialkit.quantities import lower_first, scales, span
from trialkit.trial import Trial
from trialkit.words import model as words
from trialkit.words.comparisons import ADJUSTED, adjusted_within


@dataclass(frozen=True, slots=True)
class ResponseAnalysis(ResponseResult):
    """One response of a trial, its model and what the model says of the setups.

    Its data are those of `trialkit.analysis.result.ResponseResult`. What the arguments of a method
    mean and which errors it raises is told where the question is answered.
    """

    @property
    def at_same(self) -> AtSame | None:
        """The second answer, at the same speed: `trialkit.analysis.questions.at_same.at_same`.

        Fitted when first asked for; None where it would add nothing to the first.
        """
        return at_same(self)

    @property
    def adjusted_within(self) -> str:
        """For which comparisons ``p_adjusted`` is adjusted, in words."""
        return adjusted_within(self.primary)

    def pairwise(self, factor: str | None = None, adjust: str = "tukey") -> Pairwise:
        """Every two levels of a factor compared: `questions.pairwise.pairwise`."""
        return pairwise(self, factor, adjust=adjust, level=self.level)

    def alternatives(self) -> Alternatives:
        """Other models' answers: `questions.alternatives.alternatives`."""
        return alternatives(self, self.level)

    def check(
        self, seed: int = 1, *, n: int = 500, influence: bool = True,
        progress: Callable[[str], None] | None = None,
    ) -> ModelCheck:  # fmt: skip
        """Does the model hold: `questions.checks.check_model`."""
        return check_model(
            self, seed, n=n, level=self.level, influence=influence, progress=progress
        )

    def neighbours(self, positions: pd.DataFrame, seed: int = 1) -> Neighbours:
        """With a trend, and with neighbours alike: `questions.neighbours.neighbours`."""
        return neighbours(self, positions, seed, self.level)

    def power(
        self, factor: str | None = None, level: str | None = None, *, power: float = 0.8,
        half_widths: Sequence[float] | None = None, ratios: Sequence[float] | None = None,
        differences: Sequence[float] | None = None,
    ) -> PowerAttained:  # fmt: skip
        """What the trial could tell: `questions.power_attained.power_attained`."""
        return power_attained(
            self, factor, level, power=power, confidence=self.level, half_widths=half_widths,
            ratios=ratios, differences=differences,
        )  # fmt: skip

    def field_effects(self, factor: str | None = None) -> FieldEffects:
        """Effects field by field: `questions.fields.field_effects`."""
        return field_effects(self, factor, level=self.level)

    def effect_along(
        self, covariate: str = "moisture", *, factor: str | None = None, level: str | None = None,
        points: int = 41,
    ) -> EffectCurve:  # fmt: skip
        """An effect along moisture, speed or gap: `questions.curves.effect_curve`."""
        return effect_curve(
            self, covariate, factor=factor, level=level, confidence=self.level, points=points
        )

    def surface(
        self, settings: tuple[str, str] = ("gap", "speed"), *, margin: float | None = None,
        better: Better | None = None, hold: dict[str, str] | None = None, points: int = 31,
    ) -> ResponseSurface:  # fmt: skip
        """The response over two settings: `questions.surface.response_surface`."""
        return response_surface(
            self, settings, margin=margin, better=better, confidence=self.level, hold=hold,
            points=points,
        )  # fmt: skip

    def no_more_than(
        self, margin: float, *, scale: Measure = "ratio", factor: str | None = None,
        confidence: float = 0.95,
    ) -> Equivalence:  # fmt: skip
        """One-sided test of a margin: `questions.equivalence.no_more_than`."""
        return no_more_than(self, margin, scale=scale, factor=factor, confidence=confidence)

    def equivalence(
        self, margin: float | tuple[float, float], *, scale: Measure = "ratio",
        factor: str | None = None, confidence: float = 0.95,
    ) -> Equivalence:  # fmt: skip
        """Two one-sided tests of a margin: `questions.equivalence.equivalence`."""
        return equivalence(self, margin, scale=scale, factor=factor, confidence=confidence)

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
                words.how_to_read(self.level, self.adjusted_within),
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
            *([folded("Notes", paragraphs(self.sentences))] if self.notes else []),
        )


@dataclass(frozen=True, slots=True)
class TrialAnalysis(TrialResult):
    """A trial's losses and the models its design calls for.

    Its data are those of `trialkit.analysis.result.TrialResult`; ``analysis["header_loss"]`` is one
    response's.
    """

    responses: dict[str, ResponseAnalysis]

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

    def _ipython_key_completions_(self) -> list[str]:
        """What ``analysis["`` is completed with."""
        return list(self.responses)

    def __repr__(self) -> str:
        return f"TrialAnalysis({self.trial.config.title!r}: {', '.join(self.responses)})"

    def _repr_html_(self) -> str:
        lines = pd.DataFrame(
            [row for result in self.responses.values() for row in _lines(result, self.trial)]
        )
        level = f"{words.in_brackets(self.level)} {ADJUSTED}"
        return card(
            f"{self.trial.config.title} ({self.trial.config.season})",
            [level, *looked_at(self)],
            table(lines, rows=len(lines)),
            paragraphs((*self.skipped.values(), *self.warnings)),
            *(folded(result.title, result._repr_html_()) for result in self.responses.values()),
        )


def _lines(result: ResponseAnalysis, trial: Trial) -> Iterator[dict[str, str]]:
    """A line for every comparison of a response, in the trial's own units."""
    labels = {name: result.design.labels(name) for name in result.design.names}
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
