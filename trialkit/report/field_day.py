"""The field-day page: one headline, a few pictures, what is not known, and the cautions.

The page only puts a TrialAnalysis into words and pictures; nothing is estimated here.
"""

from __future__ import annotations

from datetime import date
from html import escape
from statistics import median
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit import __version__, plots
from trialkit.errors import DesignError
from trialkit.quantities import decimals, number, scales, span, upper_first
from trialkit.report.fragments import Fragment, bullets, figure, paragraph, section, table
from trialkit.report.letters import Letters
from trialkit.report.quality import quality
from trialkit.report.wording import Finding, Grade, counted, finding, listed
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.decide import Money

CAUTIONS = (
    "Stop the machine, disengage the header, switch the engine off, take the key out and wait "
    "until everything has stopped moving before anyone walks behind it or touches the header.",
    "Nobody stands behind the machine, or between header and body, until the engine is off, the "
    "brake is set, the person counting holds the key and has met the operator's eyes.",
    "Lock or block the header's lift cylinders before reaching under a raised header.",
    "Never free a plugged row with the rolls turning: they pull faster than a hand lets go.",
    "Keep guards in place, wear eye protection, and never feel for a hydraulic leak by hand.",
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


SHOWN = ("header_loss", "kernel_damage")
"""Responses the page tells of, the headline's first; others of the analysis are not shown."""


class FieldDayPage:
    """The parts of the field-day page, in reading order.

    Parameters
    ----------
    analysis : TrialAnalysis
        What is put into words and pictures.
    money : Money, optional
        What the difference is worth; None when the trial gives no price.
    """

    def __init__(self, analysis: TrialAnalysis, money: Money | None = None) -> None:
        self.analysis = analysis
        self.trial = analysis.trial
        self.config = analysis.trial.config
        self.money = money
        self.letters = Letters(self.trial)
        self.responses = {n: analysis.responses[n] for n in SHOWN if n in analysis.responses}
        self.skipped = {n: analysis.skipped[n] for n in SHOWN if n in analysis.skipped}
        if not self.responses:
            raise DesignError(" ".join(self.skipped.values()) or "No loss or damage was analysed.")
        self.response = next(iter(self.responses))
        # Factors that were compared; one that never changed is not.
        compared = set(self.responses[self.response].contrasts["factor"])
        self.setups = [f for f in self.config.setups if f.name in compared]
        option = self.config.option
        self.factor = next(
            (f for f in self.setups if option and f.name == option.factor), self.setups[0]
        )
        self.block = "pair" if len(self.factor.levels) == 2 else "block"

    def headline(self) -> Fragment:
        """What the trial found, in one sentence, with its range and how sure it is."""
        findings = self._findings(self.response, self.factor.name)
        first, *others = findings
        extent = first.absolute[0] + (f", that is {first.percent}" if first.percent else "")
        if first.grade in (Grade.LEANING, Grade.OPEN):
            extent = f"Best guess: {extent}"
        parts = [
            paragraph(f"{self.letters.text(self.config.title)}, {self.config.season}", "kicker"),
            f"<h1>{escape(first.sentence.rstrip('.'))}</h1>",
            paragraph(f"{upper_first(extent)}.", "extent"),
        ]
        if len(first.absolute) > 1:
            parts.append(paragraph(f"In other units: {first.absolute[1]}.", "quiet"))
        level = number(self.analysis.level * 100, 0)
        parts.append(
            paragraph(
                f"{first.grade.value} The range in brackets is the {level} % interval: values "
                "outside it fit the counts poorly.",
                "grade",
            )
        )
        rest = [f.sentence for f in others]
        for factor in self.setups:
            if factor.name != self.factor.name:
                rest += [f.sentence for f in self._findings(self.response, factor.name)]
        if rest:
            parts.append(bullets(rest))
        return Fragment(f'<header class="headline">{"".join(parts)}</header>')

    def loss_by_setup(self) -> Fragment:
        """Header loss of every setup with its interval."""
        title = "Loose kernels left at the header, setup by setup"
        return self._by_setup("header_loss", "loss", title, plots.loss_by_setup)

    def damage(self) -> Fragment:
        """Damaged kernels of every setup with its interval."""
        return self._by_setup(
            "kernel_damage", "damage", "Damaged kernels in the grain tank", plots.damage_by_setup
        )

    def _by_setup(self, response: str, name: str, title: str, draw: Any) -> Fragment:
        if response not in self.responses:
            return section(name, title, paragraph(self._skipped(response)))
        result = self.responses[response]
        level = number(self.analysis.level * 100, 0)
        rows = []
        means = result.means.set_index(["factor", "level"])
        order = [(f.name, level) for f in self.config.setups for level in f.levels]
        for _, row in means.loc[[key for key in order if key in means.index]].iterrows():
            cells = [
                span(row["estimate"], row["low"], row["high"], scale)
                for scale in scales(result.unit, self.config.units)
            ]
            rows.append([str(row["label"]), *(f"{c.value} ({c.interval})" for c in cells)])
        head = ["setup", *(s.unit for s in scales(result.unit, self.config.units))]
        words = [table(f"{result.title}: adjusted mean and {level} % interval", head, rows)]
        for factor in self.setups:
            for found in self._findings(response, factor.name):
                words.append(_finding_html(found))
        picture = figure(
            draw(self.analysis),
            f"Large mark: adjusted mean. Bar: {level} % interval. Rings: single strips.",
        )
        return section(name, title, *words, picture=picture)

    def pair_by_pair(self) -> Fragment:
        """The strips of each pair joined, so that anyone can check the headline by eye."""
        plot = plots.paired_strips(
            self.analysis, self.response, self.factor.name, field_names=self.letters.fields
        )
        word = self.block
        caption = f"One line is one {word}."
        if word == "pair":
            caption += " Dashed: a pair that does not fall."
        return section(
            "pairs",
            f"{upper_first(word)} by {word}",
            paragraph(plot.summary, "extent"),
            paragraph(
                f"Strips of one {word} belong side by side in the same field and on the same "
                f"day; then what differs inside a {word} is the setup and the luck of the sample. "
                "If the lines mostly run the same way, the setup is the likelier reason."
            ),
            picture=figure(plot, caption),
        )

    def sources(self) -> Fragment:
        """Loss before harvest, at the header, in threshing and cleaning."""
        title = "Where the corn was lost"
        losses = self.analysis.losses.setups
        if losses.empty:
            return section("sources", title, paragraph("No frame counts, so no loss by source."))
        seen = set(losses.loc[losses["kg_ha"].notna(), "source"])
        missing = [words for source, (words, _) in plots.SOURCES.items() if source not in seen]
        words = [
            paragraph(
                "Loss before harvest lies on the ground whatever the machine does; loss at the "
                "header and loss in threshing and cleaning answer to different settings."
            )
        ]
        if missing:
            words.append(paragraph(f"Not measured in this trial: {listed(missing)}."))
        if len(missing) == len(plots.SOURCES):
            return section("sources", title, *words)
        kinds = set(losses.loc[losses["kg_ha"].notna(), "kind"]) - {"all"}
        what = {"kernels": "loose kernels", "ears": "dropped ears"}
        measured = listed([words for kind, words in what.items() if kind in kinds])
        picture = figure(
            plots.loss_by_source(self.analysis), f"Plain means over strips: {measured}."
        )
        numbers = self._sources_table(losses)
        return section("sources", title, *words, picture=picture, below=numbers)

    def _sources_table(self, losses: pd.DataFrame) -> str:
        """The bars as numbers, in the trial's own units, and the share of the yield."""
        own = scales("kg/ha", self.config.units)[0]
        factors = [f for f in self.config.setups if f.name in losses]
        labels = {f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in factors}
        rows = []
        shown = losses[losses["kind"] == "all"]
        allowed = [decimals(2 * se * own.factor) for se in shown["se_kg_ha"]]
        places = max(int(median(allowed)), 0)
        for key, group in shown.groupby([f.name for f in factors], sort=False, observed=True):
            by_source = group.set_index("source")
            cells = [", ".join(labels[f.name][v] for f, v in zip(factors, key, strict=True))]
            for source in (*plots.SOURCES, "total"):
                kg = by_source["kg_ha"].get(source)
                cells.append("" if pd.isna(kg) else number(float(kg) * own.factor, places))
            share = by_source["percent_of_yield"].get("total", float("nan"))
            cells.append(f"{number(float(share), 1)}\N{NO-BREAK SPACE}%" if pd.notna(share) else "")
            rows.append(cells)
        head = ["setup", *(words for words, _ in plots.SOURCES.values()), "in all", "of yield"]
        return table(f"Loss by source, {own.unit}", head, rows)

    def worth(self) -> Fragment:
        """What the difference is worth, and whether the option pays."""
        title = "What it is worth"
        if self.money is None:
            reason = "The trial gives no price of grain."
            if "header_loss" not in self.responses:
                reason = self._skipped("header_loss")
            return section("worth", title, paragraph(reason))
        first, *others = (self.letters.text(sentence) for sentence in self.money.sentences)
        words = [paragraph(first, "extent"), *(paragraph(text) for text in others)]
        if self.money.annual_cost is None:
            return section("worth", title, *words)
        plot = plots.money_by_area(self.money)
        level = number(self.money.confidence * 100, 0)
        picture = figure(
            plot, f"Line: value saved less the option's yearly cost. Band: {level} % interval."
        )
        return section("worth", title, *words, picture=picture)

    def measured(self) -> Fragment:
        """How it was measured, and what of the data could not be used."""
        trial = self.trial
        strips = trial.strips
        pairs = len(strips[["field", "pair"]].drop_duplicates())
        word = self.block if len(strips) <= 2 * pairs else "block"
        laid = (
            f"{counted(len(strips), 'strip')} in {counted(pairs, word)} on "
            f"{counted(strips['field'].nunique(), 'field')}"
        )
        items = [f"{upper_first(laid)}; a strip is one pass of the combine with one setup."]
        if len(trial.frames):
            zones = [words for zone, words in ZONES.items() if (trial.frames["zone"] == zone).any()]
            items.append(
                f"{counted(len(trial.frames), 'frame')} laid on the ground and the loose kernels "
                f"in them counted: {listed(zones)}."
            )
        if "header_loss" in self.responses:
            items.append(
                "Loss at the header is what lies where it has passed, less what lay in standing "
                "corn."
            )
        if len(trial.ears):
            items.append(f"Dropped ears searched for on {counted(len(trial.ears), 'area')}.")
        if len(trial.grain):
            items.append(
                f"{counted(len(trial.grain), 'grain sample')} looked through for damaged kernels."
            )
        items.append(
            f"Kernels became weight at {number(self.config.thousand_kernel_mass, 0)} g per "
            f"thousand kernels, {number(self.config.base_moisture, 1)} % moisture."
        )
        return section(
            "measured",
            "How it was measured",
            bullets(items),
            *quality(self.trial, self.letters),
            *self._record(),
        )

    def _record(self) -> list[str]:
        """The models in the statistician's words."""
        parts = ["<h3>For the record</h3>"]
        for result in self.responses.values():
            words = [f"{result.title}: {result.model.rstrip('.')}.", result.why, *result.notes]
            parts.append(paragraph(self.letters.text(" ".join(words)), "record"))
        return parts

    def unknown(self) -> Fragment:
        """What this trial cannot tell."""
        strips = self.trial.strips
        n_fields = strips["field"].nunique()
        items = [
            f"One season ({self.config.season}) and {counted(n_fields, 'field')}: another year, "
            "hybrid or soil may answer differently."
        ]
        moisture = strips["moisture"].dropna()
        if len(moisture):
            items.append(
                f"Grain was at {_range(moisture, 0)} % moisture; drier or wetter corn shells "
                "differently."
            )
        speed = strips["speed_measured"].dropna()
        if len(speed):
            unit = "mph" if self.config.units == "US" else "km/h"
            pace = _range(convert(speed, "km/h", unit), 1)
            items.append(f"Ground speed was {pace} {unit}; nothing here speaks for other speeds.")
        if any(f.grade is Grade.OPEN for f in self._all_findings()):
            items.append(
                "Where the page says the trial cannot tell two setups apart, the range shows how "
                "large a difference may still be hiding."
            )
        items += [self.letters.text(reason) for reason in self.skipped.values()]
        items += [self.letters.text(warning) for warning in self.analysis.warnings]
        items.append("Agronomic and money figures are estimates for a decision, not guarantees.")
        return section("unknown", "What we do not know", bullets(list(dict.fromkeys(items))))

    def cautions(self) -> Fragment:
        """The cautions for anyone who counts behind a combine or touches a header."""
        return section(
            "cautions",
            "Before anyone walks behind the machine",
            bullets(CAUTIONS),
            paragraph(DEFER, "defer"),
        )

    def colophon(self) -> Fragment:
        """Version, data hash and date, so that the page can be made again."""
        return Fragment(
            '<footer class="colophon">'
            + paragraph(
                f"Made with trialkit {__version__} on {date.today().isoformat()}. Data "
                f"fingerprint (SHA-256): {self.trial.data_hash()[:16]}. Names of growers and "
                + ("fields shown as agreed." if self.letters.agreed else "fields are letters.")
            )
            + "</footer>"
        )

    def _findings(self, response: str, factor: str) -> list[Finding]:
        """The levels of one setup factor against their reference: the one that money is spent on
        first, then by the strength of the evidence."""
        result = self.responses[response]
        rows = result.contrasts[result.contrasts["factor"] == factor]
        setup = next(f for f in self.setups if f.name == factor)
        labels = dict(zip(setup.levels, setup.level_labels, strict=True))
        option = self.config.option
        bought = option.level if option and option.factor == factor else None
        rows = rows.assign(_later=rows["level"] != bought).sort_values(
            ["_later", "p_adjusted"], kind="stable"
        )
        return [
            finding(
                response, row, labels[row["reference"]], unit=result.unit, system=self.config.units
            )
            for row in rows.to_dict("records")
        ]

    def _all_findings(self) -> list[Finding]:
        return [
            found
            for response in self.responses
            for factor in self.setups
            for found in self._findings(response, factor.name)
        ]

    def _skipped(self, response: str) -> str:
        reason = self.skipped.get(response, "The trial has no data for it.")
        return self.letters.text(f"Not shown. {reason}")


def _finding_html(found: Finding) -> str:
    extent = "; ".join([*found.absolute, found.percent] if found.percent else found.absolute)
    return (
        f'<p class="finding"><strong>{escape(found.sentence)}</strong> '
        f"{escape(upper_first(extent))}. {escape(found.grade.value)}</p>"
    )


def _range(values: pd.Series, places: int) -> str:
    low, high = number(float(values.min()), places), number(float(values.max()), places)
    return low if low == high else f"{low} to {high}"
