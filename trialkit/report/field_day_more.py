"""What stands lower on the field-day page: damage, loss by source, and the record, folded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit import __version__, plots
from trialkit.behind_machine import cobs_left_out, width_assumed
from trialkit.decide.verdict import verdict
from trialkit.errors import DesignError
from trialkit.plots.sources import BEFORE
from trialkit.quantities import (
    lower_first,
    number,
    scales,
    shared_places,
    span,
    upper_first,
)
from trialkit.report import captions
from trialkit.report.fragments import Fragment, bullets, figure, paragraph, section, table
from trialkit.report.letters import Letters
from trialkit.report.quality import quality
from trialkit.report.wording import Finding, counted, findings, listed

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis, TrialAnalysis
    from trialkit.decide import Money

SHOWN = ("header_loss", "kernel_damage")
"""Responses the page is about, besides the trial's primary one."""


class FoldedParts:
    """The trial as the page sees it, and the parts that stand lower on it.

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
        self.responses = shown(analysis, SHOWN)
        self.skipped = {n: analysis.skipped[n] for n in SHOWN if n in analysis.skipped}
        if not self.responses:
            raise DesignError(" ".join(self.skipped.values()) or "No loss or damage was analysed.")
        self.response = next(iter(self.responses))
        # Factors that were compared; one that never changed is not.
        compared = set(self.responses[self.response].contrasts["factor"])
        self.setups = [f for f in self.config.setups if f.name in compared]
        self.verdict = verdict(analysis, self.response)
        self.factor = next(f for f in self.setups if f.name == self.verdict.factors[0])
        strips = self.trial.strips
        together = strips.groupby(["field", "pair"]).size()
        # Two strips of two setups are a pair; more of them side by side are a block.
        self.block = "pair" if len(self.factor.levels) == 2 and together.max() <= 2 else "block"
        self.percent = number(analysis.level * 100, 0)

    def damage(self) -> Fragment:
        """Damaged kernels of every setup with its interval."""
        title = "Damaged kernels in the grain tank"
        if "kernel_damage" not in self.responses:
            return section("damage", title, paragraph(self._skipped("kernel_damage")))
        return section("damage", title, *self._told("kernel_damage"), folded(
            "Picture and numbers", self._picture("kernel_damage", plots.damage_by_setup),
            self._means("kernel_damage"),
        ), self._others("kernel_damage", plots.damage_by_setup))  # fmt: skip

    def sources(self) -> Fragment:
        """Loss before harvest, at the header, in threshing and cleaning."""
        title = "Where the corn was lost"
        if self.analysis.losses.setups.empty:
            return section("sources", title, paragraph("No frame counts, so no loss by source."))
        losses, factors = plots.pooled_losses(self.analysis)
        seen = set(losses.loc[losses["kg_ha"].notna(), "source"])
        told = plots.sources_of(losses)
        missing = [words for source, (words, _) in told.items() if source not in seen]
        words = [
            paragraph(
                "Preharvest loss is no machine's doing; loss at the header and loss in threshing "
                "and cleaning answer to different settings."
            )
        ]
        if {"kernels", "ears"} <= set(losses.loc[losses["kg_ha"].notna(), "kind"]):
            words.append(paragraph(
                "These figures add dropped ears, of which few were found: they swing by chance and "
                "can point the other way from loose kernels alone."
            ))  # fmt: skip
        if len(self.setups) > 1:
            text = "A row holds all strips of its setup, whatever else was set on them."
            if pooled := [lower_first(f.label) for f in self.setups if f not in factors]:
                text += f" This trial found no difference in loss by {listed(pooled)}."
            words.append(paragraph(text))
        if (losses.loc[losses["kind"] == "all", "kg_ha"] < 0).any():
            words.append(paragraph(
                "A figure below zero is no grain gained: each is a difference of two counts, and "
                "where little is lost the luck of the count can turn it below zero. Read it as "
                "about none."
            ))  # fmt: skip
        if missing:
            words.append(paragraph(f"Not measured in this trial: {listed(missing)}."))
        trial = self.trial
        assumed = width_assumed(trial.frames, trial.strips, self.config)
        words += [paragraph(t) for t in (assumed, cobs_left_out(trial.frames)) if t]
        if len(missing) == len(told):
            return section("sources", title, *words)
        kinds = set(losses.loc[losses["kg_ha"].notna(), "kind"]) - {"all"}
        loose = "kernels (loose and on cobs)" if "threshing" in told else "loose kernels"
        what = {"kernels": loose, "ears": "dropped ears"}
        measured = listed([words for kind, words in what.items() if kind in kinds])
        picture = figure(
            plots.loss_by_source(self.analysis), f"Plain means over strips: {measured}."
        )
        numbers = self._sources_table(losses)
        return section("sources", title, *words, folded("Picture and numbers", picture, numbers))

    def _sources_table(self, losses: pd.DataFrame) -> str:
        """The bars as numbers, in the trial's own units, and the share of the yield."""
        own = scales("kg/ha", self.config.units)[0]
        rows = []
        places = plots.loss_places(losses, own)
        told = {s: w for s, (w, _) in plots.sources_of(losses).items() if s != BEFORE}
        columns = {(source, "all"): words for source, words in told.items()}
        if "ears" in set(losses.loc[losses["kg_ha"].notna(), "kind"]):
            del columns["header", "all"]
            columns = {("header", "kernels"): "loose kernels at the header",
                       ("header", "ears"): "dropped ears at the header"} | columns  # fmt: skip
        for setup, group in losses.groupby("setup", sort=False):
            cell = group.set_index(["source", "kind"])
            whole = cell.reindex([(source, "all") for source in told])
            kg = [*(cell["kg_ha"].get(at, math.nan) for at in columns), whole["kg_ha"].sum()]
            cells = ["" if pd.isna(v) else number(float(v) * own.factor, places) for v in kg]
            share = float(whole["percent_of_yield"].sum(min_count=1))
            cells.append(f"{number(share, 1)}\N{NO-BREAK SPACE}%" if math.isfinite(share) else "")
            rows.append([str(setup), *cells])
        head = ["setup", *columns.values(), "by the machine", "of yield"]
        strips = self.analysis.losses.strips
        lay = strips.loc[strips["source"].eq(BEFORE) & strips["kind"].eq("all"), "kg_ha"].mean()
        before = "" if pd.isna(lay) else paragraph(
            f"Already on the ground: {number(float(lay) * own.factor, places)} {own.unit}, the "
            "mean of all strips. What lay there before is no setup's doing, and is not in the "
            "table: rows differ there by luck."
        )  # fmt: skip
        return before + table(f"Loss by source, {own.unit}", head, rows)

    def record(self) -> Fragment:
        """Data quality, conversions and the models in the statistician's words."""
        trial = self.trial
        items = []
        if "header_loss" in self.responses:
            items.append(
                "Loss at the header is what lies where it has passed, less what lay in standing "
                "corn."
            )
        if len(trial.ears):
            items.append(f"Dropped ears searched for on {counted(len(trial.ears), 'area')}.")
        taken = "" if self.config.kernel_mass_stated else " (assumed, not weighed)"
        items.append(
            f"Kernels were reckoned at {number(self.config.thousand_kernel_mass, 0)} g a "
            f"thousand{taken}, {number(self.config.base_moisture, 1)} % moisture."
        )
        models = ["<h3>Models</h3>"]
        for name, result in self.responses.items():
            words = [f"{result.title}: {result.model.rstrip('.')}.", result.why, *result.notes]
            words += [f"{f.sentence} {f.weaker}" for f in self._every(name) if f.weaker]
            models.append(paragraph(self.letters.text(" ".join(words)), "record"))
        return section("records", "For the record", folded(
            "Data quality and models", bullets(items), *quality(trial, self.letters), *models
        ))  # fmt: skip

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

    # ------------------------------------------------------------ shared by the parts
    def _findings(self, response: str, factor: str) -> list[Finding]:
        """The levels of one setup factor against their reference, in the verdict's order."""
        first = next(v.primary.level for v in self.verdict.levels if v.primary.factor == factor)
        return findings(self.analysis.responses[response], self.config.units, factor, first)

    def _every(self, response: str) -> list[Finding]:
        """Findings of every factor that was compared in a response, the headline's first."""
        factors = sorted(self.setups, key=lambda f: f.name != self.factor.name)
        return [found for f in factors for found in self._findings(response, f.name)]

    def _told(self, response: str) -> list[str]:
        """A paragraph for every finding of a response, the headline's factor first."""
        return [
            f'<p class="finding"><strong>{escape(found.sentence)}</strong> '
            f"{escape('; '.join((found.extent, *found.absolute[1:])))}.</p>"
            for found in self._every(response)
        ]

    def _picture(self, response: str, draw: Any, factor: str | None = None) -> str:
        """Means and strips of the headline's factor, or of another."""
        factor = factor or self.factor.name
        caption = captions.of_means(self.analysis.level)
        plot = draw(self.analysis, factor)
        return figure(captions.told(plot, self._findings(response, factor)), caption)

    def _others(self, response: str, draw: Any) -> str:
        """The same of the other factors, on a screen; the handout shows the headline's alone."""
        pictures = [
            self._picture(response, draw, f.name) for f in self.setups if f.name != self.factor.name
        ]
        if not pictures:
            return ""
        return f'<div class="screen">{folded("The other setups in pictures", *pictures)}</div>'

    def _means(self, response: str) -> str:
        """Adjusted means of a response as a table."""
        result = self.responses[response]
        means = result.means.set_index(["factor", "level"])
        shown = scales(result.unit, self.config.units)
        rows = []
        order = [(f.name, level) for f in self.config.setups for level in f.levels]
        for key in (key for key in order if key in means.index):
            row, beside = means.loc[key], means.loc[key[0]]
            cells = [
                span(row["estimate"], row["low"], row["high"], scale,
                     shared_places(beside["low"], beside["high"], scale))
                for scale in shown
            ]  # fmt: skip
            rows.append([str(row["label"]), *(f"{c.value} ({c.interval})" for c in cells)])
        head = ["setup", *(scale.unit for scale in shown)]
        caption = f"{result.title}: adjusted mean and {self.percent} % interval"
        return table(caption, head, rows)

    def _skipped(self, response: str) -> str:
        reason = self.skipped.get(response, "The trial has no data for it.")
        return self.letters.text(f"Not shown. {reason}")


def shown(analysis: TrialAnalysis, usual: Sequence[str]) -> dict[str, ResponseAnalysis]:
    """The responses a page is about, the one of its headline first: the trial's primary one, where
    it was analysed, then the usual ones."""
    asked = analysis.trial.config.model.primary
    names = dict.fromkeys((asked, *usual))
    return {n: analysis.responses[n] for n in names if n in analysis.responses}


def folded(summary: str, *parts: str) -> str:
    """What a reader opens who wants it."""
    return f"<details><summary>{upper_first(escape(summary))}</summary>{''.join(parts)}</details>"
