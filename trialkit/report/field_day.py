"""The field-day page: one headline, three pictures, what to try, what is not known, the cautions.

The page only puts a TrialAnalysis into words and pictures; nothing is estimated here. Its words
are graded by `wording` and the rules beside it. What a reader at arm's length does not need stands
lower on the page, folded (`field_day_more`).
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import pandas as pd

from trialkit import plots
from trialkit.analysis.family import counted_words, stands_in
from trialkit.analysis.grades import Grade
from trialkit.decide.words import area_unit
from trialkit.errors import DesignError
from trialkit.quantities import lower_first, number, upper_first
from trialkit.report import advice, captions, chances, second_answer
from trialkit.report.field_day_more import SHOWN, FoldedParts, folded
from trialkit.report.fragments import Fragment, bullets, figure, in_notebook, paragraph, section
from trialkit.report.wording import Finding, brackets, counted, listed
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.plots import Plot

__all__ = ["ALSO", "CAUTIONS", "SHOWN", "FieldDayPage"]

CAUTIONS = (
    "Stop the machine, disengage the header, switch the engine off, take the key out and wait "
    "until everything has stopped moving before anyone walks behind it or touches the header.",
    "Nobody stands behind the machine, or between header and body, until the engine is off, the "
    "brake is set, the person counting holds the key and has met the operator's eyes.",
    "Lower the header to the ground, or lock or block its lift cylinders, before going in front of "
    "it or under it.",
    "Never free a plugged row with the rolls turning: they pull faster than a hand lets go.",
    "Keep guards in place, wear eye protection, and gloves at knife rolls, which cut at rest too; "
    "never feel for a hydraulic leak by hand.",
    "Keep clear of other machines, and mind dust and fire in dry residue.",
    "A counting crew is not operating staff: tell everyone these rules before each day's work.",
)
ZONES = {
    "preharvest": "in standing corn ahead of the machine",
    "header": "where the header has passed but the machine's body has not",
    "total": "behind the machine",
}
DEFER = (
    "The operator's manual, local rules and qualified service people come before anything on "
    "this page. In the United States guarding and servicing farm equipment fall under 29 CFR "
    "1928.57; other places have their own rules."
)
ALSO = {
    "header_loss": "loose kernels at the header",
    "kernel_damage": "damaged kernels",
    "ear_butt_damage": "ears damaged at the butt",
    "dropped_ears": "dropped ears",
    "residue_mass": "material other than grain",
    "residue_score": "score of material other than grain",
    "leaf_intake": "leaves and husks taken in",
}
"""Responses that get a line each beside the headline's, with their names inside a sentence."""


class FieldDayPage(FoldedParts):
    """The parts of the field-day page, in reading order."""

    def _repr_html_(self) -> str:
        """The headline and what else the page has, for the end of a notebook's cell."""
        return in_notebook(self)

    def headline(self) -> Fragment:
        """What the trial found, in one sentence, with its range and how sure it is."""
        first, *others = self._findings(self.response, self.factor.name)
        for factor in self.setups:
            if factor.name != self.factor.name:
                others += self._findings(self.response, factor.name)
        parts = [
            paragraph(f"{self.letters.text(self.config.title)}, {self.config.season}", "kicker"),
            f"<h1>{escape(first.sentence.rstrip('.'))}</h1>",
            paragraph(f"{first.extent}.", "extent"),
            paragraph(f"{first.grade.value} {self._brackets(first)}", "grade"),
        ]
        result = self.responses[self.response]
        same = second_answer.apart(result, self.config.units, first.factor, first.level)
        parts += [paragraph(self.letters.text(text)) for text in same]
        if instead := stands_in(self.analysis):
            parts.append(paragraph(self.letters.text(instead), "quiet"))
        if others:
            parts.append(bullets([found.sentence for found in others]))
        return Fragment(f'<header class="headline">{"".join(parts)}</header>')

    def _brackets(self, first: Finding) -> str:
        text = brackets(self.analysis.level)
        if len(first.absolute) > 1:
            text += f" In other units: {first.absolute[1]}."
        return text

    def loss_by_setup(self) -> Fragment:
        """Header loss of every setup with its interval."""
        title = "Loss at the header, setup by setup"
        if "header_loss" not in self.responses:
            return section("loss", title, paragraph(self._skipped("header_loss")))
        first = self.verdict.first.primary
        setups = f"{lower_first(first.label)} or {lower_first(first.reference_label)}"
        words = [
            paragraph(
                "A strip is one pass of the combine with one setup, such as "
                f"{self.letters.text(setups)}."
            ),
            *self._told("header_loss")[self.response == "header_loss" :],
            folded("The numbers", self._means("header_loss")),
            self._others("header_loss", plots.loss_by_setup),
        ]
        picture = self._picture("header_loss", plots.loss_by_setup)
        return section("loss", title, *words, picture=picture)

    def pair_by_pair(self) -> Fragment:
        """The strips of each pair joined, so that anyone can check the headline by eye."""
        plot = plots.paired_strips(
            self.analysis, self.response, self.factor.name, field_names=self.letters.fields
        )
        word = self.block
        found = self._findings(self.response, self.factor.name)
        caption = captions.of_pairs(plot, found, word)
        return section(
            "pairs",
            f"{upper_first(word)} by {word}",
            paragraph(
                f"Strips of one {word} belong side by side in the same field and on the same "
                f"day; then what differs inside a {word} is the setup and the luck of the sample. "
                "If the lines mostly run the same way, the setup is the likelier reason."
            ),
            picture=figure(captions.told(plot, found), caption),
        )

    def worth(self) -> Fragment:
        """What the difference is worth, and whether the option pays."""
        title = "What it is worth"
        if self.money is None:
            reason = "The trial gives no price of grain."
            if "header_loss" not in self.responses:
                reason = self._skipped("header_loss")
            return section("worth", title, paragraph(reason))
        first, *sums, caution = (self.letters.text(text) for text in self.money.sentences)
        words = [paragraph(first, "extent")]
        if sums:
            words.append(folded("The sums", *(paragraph(text) for text in sums)))
        words.append(paragraph(caution))
        if self.verdict.first.time is not None:
            words.append(paragraph("Time is not in this sum: see What to try."))
        if self.money.annual_cost is None:
            return section("worth", title, *words)
        pays = self._pays()
        plot: Plot = plots.money_by_area(self.money)
        plot.alt_text = f"{plot.alt_text} {pays}".strip()
        picture = figure(plot, captions.of_balance(self.money.confidence, pays))
        # On the handout the picture stands without the words beside it.
        own = f'<figcaption><span class="paper">{escape(first)} </span>'
        picture = picture.replace("<figcaption>", own, 1)
        return section("worth", title, *words, picture=picture)

    def _pays(self) -> str:
        """The chance that the option pays on the area given; "" where it cannot be told."""
        balance = next((v.balance for v in self.verdict.levels if v.bought), None)
        if self.money is None or balance is None or not balance.area:
            return ""
        unit, size = area_unit(self.config.units)
        return chances.pays(
            balance.chance, f"{number(balance.area / size, 0)} {unit}", balance.believed,
            self.config.model.prior,
        )  # fmt: skip

    def also(self) -> Fragment:
        """What else was counted, a line each."""
        others = {}
        for response, title in ALSO.items():
            if response == self.response or response not in self.analysis.responses:
                continue
            others[title] = self._every(response)
        lines = advice.in_lines(others)
        counted = counted_words(self.analysis)
        words = [paragraph(self.letters.text(counted))] if counted else []
        if not lines:
            lines = ["Nothing else was counted that compares the setups."]
        return section("also", "What else was counted", *words, bullets(lines))

    def what_to_try(self) -> Fragment:
        """What the evidence is good for on the reader's own fields, and what to test first."""
        items = [self.letters.text(t) for t in advice.told(self.verdict, self.analysis)]
        speed = self._range("speed_measured")
        unit = "mph" if self.config.units == "US" else "km/h"
        if speed is not None:
            low, high = (float(convert(v, "km/h", unit)) for v in speed)
            speed = (low, high)
        items.append(advice.holds_for(self._range("moisture"), speed, unit))
        return section("try", "What to try", bullets([item for item in items if item]))

    def unknown(self) -> Fragment:
        """What this trial cannot tell."""
        n_fields = self.trial.strips["field"].nunique()
        items = [
            f"One season ({self.config.season}) and {counted(n_fields, 'field')}: another year, "
            "hybrid or soil may answer differently."
        ]
        items += self._between_fields()
        if any(f.grade is Grade.OPEN for r in self.responses for f in self._every(r)):
            items.append(
                "Where the page says the trial cannot tell two setups apart, the range shows how "
                "large a difference may still be hiding."
            )
        items += [self.letters.text(reason) for reason in self.skipped.values()]
        items += [self.letters.text(warning) for warning in self.analysis.warnings]
        items.append(
            "Agronomic and money figures are estimates for a decision, not guarantees."
        )
        return section("unknown", "What we do not know", bullets(list(dict.fromkeys(items))))

    def _between_fields(self) -> list[str]:
        """How alike the fields are for the headline, where the model lets them differ."""
        first = self._findings(self.response, self.factor.name)[0]
        try:
            pooled = self.responses[self.response].field_effects(self.factor.name).pooled
        except DesignError:
            return []
        row = pooled.set_index("level").loc[first.level]
        said = chances.across_fields(
            (float(row["same_direction_low"]), float(row["same_direction_high"])),
            float(row["predicted_low"]),
            float(row["predicted_high"]), int(row["n_fields"]), first.grade,
        )  # fmt: skip
        items = [f"{upper_first(first.own.label)} on other fields: {said[:1].lower()}{said[1:]}"]
        own = self.responses[self.response].by_field
        own = own[(own["factor"] == first.factor) & (own["level"] == first.level)]
        change = own["difference"].dropna()
        if first.grade is not Grade.OPEN and len(change):
            same = int(((change < 0) == first.falls).sum())
            items[0] += f" {chances.fields_counted(same, len(change))}"
        return items

    def measured(self) -> Fragment:
        """How it was measured, in few words."""
        trial = self.trial
        strips = trial.strips
        pairs = len(strips[["field", "pair"]].drop_duplicates())
        word = self.block
        laid = (
            f"{counted(len(strips), 'strip')} in {counted(pairs, word)} on "
            f"{counted(strips['field'].nunique(), 'field')}"
        )
        items = [f"{upper_first(laid)}."]
        if len(trial.frames):
            zones = [words for zone, words in ZONES.items() if (trial.frames["zone"] == zone).any()]
            items.append(
                f"Loose kernels counted in {counted(len(trial.frames), 'frame')} on the ground: "
                f"{listed(zones)}."
            )
        if len(trial.grain):
            items.append(
                f"{counted(len(trial.grain), 'grain sample')} looked through for damaged kernels."
            )
        moisture = self._range("moisture")
        if moisture is not None:
            items.append(f"Grain moisture {advice.between(moisture, 0)} %.")
        return section("measured", "How it was measured", bullets(items))

    def cautions(self) -> Fragment:
        """The cautions for anyone who counts behind a combine or touches a header."""
        return section(
            "cautions",
            "Before anyone walks behind the machine",
            bullets(CAUTIONS),
            paragraph(DEFER, "defer"),
        )

    def thanks(self) -> Fragment:
        """Thanks to those who gave ground and time, by name if they agreed."""
        known = self.trial.fields.get("grower")
        names = [] if known is None else list(dict.fromkeys(known.dropna().astype(str)))
        if self.letters.agreed and names:
            who = f"{listed(names)}, who"
        elif names:
            who = f"the {counted(len(names), 'grower')} who" if len(names) > 1 else "the grower who"
        else:
            who = "those who"
        return Fragment(
            '<section class="thanks">'
            + paragraph(f"Thanks to {who} gave ground, corn and time to this trial.")
            + "</section>"
        )

    def _range(self, column: str) -> tuple[float, float] | None:
        """Lowest and highest reading of a column of the strips."""
        values: pd.Series = self.trial.strips[column].dropna()
        return (float(values.min()), float(values.max())) if len(values) else None
