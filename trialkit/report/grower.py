"""The grower's page: what the trial means on one grower's fields, and what the choice is worth.

The page only puts a TrialAnalysis and its decisions into words and pictures; nothing is estimated
here. `own` says whose fields are meant, `grower_fields`, `grower_money` and `grower_conditions`
hold the longer parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any

from trialkit import __version__
from trialkit.analysis.at_levels import speed_factor
from trialkit.analysis.family import counted_words, stands_in
from trialkit.analysis.fields import of_the_response
from trialkit.decide import comparison
from trialkit.decide.verdict import Verdict, verdict
from trialkit.decide.words import area_unit
from trialkit.errors import DesignError, ModelError
from trialkit.quantities import number, upper_first
from trialkit.report import advice, grower_conditions, grower_fields, grower_money, second_answer
from trialkit.report.field_day import CAUTIONS
from trialkit.report.field_day_more import folded, shown
from trialkit.report.fragments import Fragment, bullets, in_notebook, paragraph, section
from trialkit.report.own import OwnLetters
from trialkit.report.wording import Finding, brackets, counted, findings, listed
from trialkit.units import price_per_bushel_to_per_tonne

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis, TrialAnalysis
    from trialkit.analysis.curves import EffectCurve
    from trialkit.analysis.fields import FieldEffects
    from trialkit.intake.config import SetupFactor
    from trialkit.report.what_if import WhatIf

SHOWN = ("header_loss", "kernel_damage")
EXAMPLES = (150.0, 300.0, 450.0)
"""What an hour of combining may cost where the trial does not say: examples."""
DEFER = "The operator's manual and qualified service people come before this page."


class GrowerPage:
    """The parts of a grower's page, in reading order.

    Parameters
    ----------
    analysis : TrialAnalysis
    grower : str
        Name of a grower, or the letter other reports give; the first by default.
    area : float, optional
        The grower's corn a year, acres or ha as the trial's units are; else what the trial states.
    price : float, optional
        Net price of grain, per bushel or tonne; else what the trial states.
    hour_costs : sequence of float, optional
        What an hour of combining may cost, for the speed at which loss and time cost least; by
        default what the trial states, half of it and half as much again, else examples.

    Raises
    ------
    DesignError
        When there is no such grower, or neither loss nor damage was analysed.
    """

    def __init__(
        self, analysis: TrialAnalysis, grower: str = "", *, area: float | None = None,
        price: float | None = None, hour_costs: Sequence[float] | None = None,
    ) -> None:  # fmt: skip
        self.analysis = analysis = _with(analysis, area, price)
        self.trial = analysis.trial
        self.config = analysis.trial.config
        self.letters = OwnLetters(self.trial, grower)
        self.mine, self.others = self.letters.mine, self.letters.others
        self.area, self.price = area, price
        hour = self.config.hour_cost
        if hour_costs is None:
            hour_costs = EXAMPLES if not hour else (0.5 * hour, hour, 1.5 * hour)
        self.hour_costs = tuple(hour_costs)
        self.responses = shown(analysis, SHOWN)
        if not self.responses:
            raise DesignError(
                " ".join(analysis.skipped.values()) or "No loss or damage was analysed."
            )
        self.response = next(iter(self.responses))
        self.result: ResponseAnalysis = self.responses[self.response]
        found = comparison(analysis, self.response) or comparison(
            analysis, self.response, str(self.result.contrasts["factor"].iloc[0])
        )
        assert found is not None
        self.found = found
        self.percent = f"{number(100 * analysis.level, 0)} %"

    # ------------------------------------------------------------ what the parts share
    @property
    def factor(self) -> SetupFactor:
        """The setup factor the decision is about."""
        return next(f for f in self.config.setups if f.name == self.found.factor)

    @cached_property
    def effects(self) -> FieldEffects | str:
        """Effects field by field by the model, or why there are none."""
        try:
            effects = self.result.field_effects(self.found.factor)
            if effects.link != "log":
                return (
                    "By the model a field's effect is a ratio of odds; measured figures stand here."
                )
            return of_the_response(effects, self.result)
        except (DesignError, ModelError) as error:
            return str(error)

    def curve(self, along: str) -> EffectCurve | str:
        """Effect of the setup along moisture or speed, or why there is none."""
        if along not in self._curves:
            try:
                self._curves[along] = self.result.effect_along(
                    along, factor=self.found.factor, level=self.found.level
                )
            except (DesignError, ModelError) as error:
                self._curves[along] = str(error)
        return self._curves[along]

    @cached_property
    def speed_factor(self) -> str | None:
        """The setup factor that is a ground speed, if there is one."""
        return speed_factor(self.result)

    @cached_property
    def verdict(self) -> Verdict:
        """The trial's verdict, with the reader's own prices."""
        return verdict(self.analysis, self.response)

    @cached_property
    def _curves(self) -> dict[str, EffectCurve | str]:
        return {}

    @cached_property
    def what_if(self) -> WhatIf | str:
        """The reader's own numbers, or why money cannot be spoken of."""
        return grower_money.what_if(self)

    def findings(self, response: str) -> list[Finding]:
        """Levels of the decision's factor against the reference, the decision's own first."""
        result = self.analysis.responses[response]
        return findings(result, self.config.units, self.found.factor, self.found.level)

    def whose(self, capital: bool = False) -> str:
        """ "my 2 fields", or the name of the only one."""
        if len(self.mine) == 1:
            return self.letters.fields[self.mine[0]]
        words = f"my {len(self.mine)} fields"
        return upper_first(words) if capital else words

    def _repr_html_(self) -> str:
        """The headline and what else the page has, for the end of a notebook's cell."""
        return in_notebook(self)

    # ------------------------------------------------------------ parts
    def headline(self) -> Fragment:
        """What it means on my fields, in one sentence, its range, and three lines to decide by."""
        first, *others = self.findings(self.response)
        own = f"{self.letters.grower}: " if self.letters.grower else ""
        fields = listed([self.letters.fields[f] for f in self.mine])
        rest = f" of {counted(len(self.mine) + len(self.others), 'field')}" if self.others else ""
        # How many there are is told where it is not seen at once.
        several = f" ({len(self.mine)}{rest})" if rest or len(self.mine) > 1 else ""
        mine = f"{own}{fields}{several}"
        parts = [
            paragraph(f"{self.letters.text(self.config.title)}, {self.config.season}", "kicker"),
            paragraph(mine, "kicker"),
            f"<h1>{escape(self._plain(first.sentence))}</h1>",
            paragraph(f"{first.extent}.", "extent"),
        ]
        if len(first.absolute) > 1:
            parts.append(paragraph(f"In other units: {first.absolute[1]}.", "quiet"))
        parts.append(
            paragraph(f"{first.grade.value} {brackets(self.analysis.level)}", "grade")
        )
        same = second_answer.apart(self.result, self.config.units, first.factor, first.level)
        parts += [paragraph(self.letters.text(text)) for text in same]
        if instead := stands_in(self.analysis):
            parts.append(paragraph(self.letters.text(instead), "quiet"))
        lines = [
            ("On my fields", grower_fields.in_short(self)),
            ("Money", grower_money.in_short(self)),
            *(("Also", f"{self._plain(f.sentence)}.") for f in others),
        ]
        items = "".join(
            f"<li><strong>{escape(name)}.</strong> {escape(self.letters.text(words))}</li>"
            for name, words in lines
        )
        return Fragment(
            f'<header class="headline">{"".join(parts)}<ul class="decide">{items}</ul></header>'
        )

    def what_to_do(self) -> Fragment:
        """What follows for every setup, with the reader's own prices, and the cautions."""
        told = [self.letters.text(text) for text in advice.told(self.verdict)]
        return section(
            "do", "What to do", bullets(told),
            paragraph("Before anyone changes a header or walks behind the machine:", "defer"),
            bullets(CAUTIONS),
        )  # fmt: skip

    def my_fields(self) -> Fragment:
        """The effect in each of my fields and in the others."""
        return grower_fields.my_fields(self)

    def side_by_side(self) -> Fragment:
        """The setups side by side in each field."""
        return grower_fields.side_by_side(self)

    def money(self) -> Fragment:
        """What the setup is worth with the reader's own numbers."""
        return grower_money.money(self)

    def conditions(self) -> Fragment:
        """At which moisture and speed the answer changes."""
        return grower_conditions.conditions(self)

    def what_would_change(self) -> Fragment:
        """Prices, acres and results that would turn the answer."""
        return grower_money.what_would_change(self)

    def damage(self) -> Fragment:
        """Damaged kernels, where they were looked for and are not the headline already."""
        if self.response == "kernel_damage":
            words = [paragraph("They are what the headline is about.")]
        elif "kernel_damage" not in self.responses:
            reason = self.analysis.skipped.get("kernel_damage", "No grain sample was looked at.")
            words = [paragraph(self.letters.text(reason))]
        else:
            words = [finding_html(f, self.letters) for f in self.findings("kernel_damage")]
        return section("damage", "Damaged kernels", *words)

    def unknown(self) -> Fragment:
        """What this page cannot say."""
        n = len(self.mine) + len(self.others)
        items = [
            f"One season ({self.config.season}) and {counted(n, 'field')}: another year, hybrid "
            "or soil may answer differently.",
            "Figures of money count grain at the header and what was put in; not fuel, wear of the "
            "combine, grade discounts or harvest time lost while changing over.",
            "Agronomic and money figures are aids to a decision, not guarantees.",
        ]
        every = [f for name in self.responses for f in self.findings(name) if f.weaker]
        why = [self.letters.text(f"{f.sentence} {f.weaker}") for f in every]
        items += map(self.letters.text, (counted_words(self.analysis), *self.analysis.warnings))
        return section(
            "unknown",
            "Keep in mind",
            bullets(list(filter(None, dict.fromkeys(items)))),
            paragraph(DEFER, "defer"),
            folded("For the record", bullets(why)) if why else "",
        )

    def colophon(self) -> Fragment:
        """Version, data hash and date, so that the page can be made again."""
        names = "shown as agreed" if self.letters.agreed else "letters"
        shown = f"Names of other growers and their fields are {names}." if self.others else ""
        return Fragment(
            '<footer class="colophon">'
            + paragraph(
                f"Made with trialkit {__version__} on {date.today().isoformat()}. Data "
                f"fingerprint (SHA-256): {self.trial.data_hash()[:16]}. {shown}".rstrip()
            )
            + "</footer>"
        )

    def _plain(self, sentence: str) -> str:
        return self.letters.text(sentence.rstrip("."))


def _with(analysis: TrialAnalysis, area: float | None, price: float | None) -> TrialAnalysis:
    """The analysis with the grower's own area and price among its settings."""
    config = analysis.trial.config
    if price is not None:
        per_t = price_per_bushel_to_per_tonne(price) if config.units == "US" else price
        config = replace(config, price_per_t=float(per_t))
    if area is not None and config.option is not None:
        own = replace(config.option, area_per_year=area * area_unit(config.units)[1])
        config = replace(config, option=own)
    return replace(analysis, trial=replace(analysis.trial, config=config))


def finding_html(found: Finding, letters: Any) -> str:
    """One finding as a paragraph."""
    extent = "; ".join([found.extent, *found.absolute[1:]])
    return (
        f'<p class="finding"><strong>{escape(letters.text(found.sentence))}</strong> '
        f"{escape(extent)}. {escape(found.grade.value)}</p>"
    )
