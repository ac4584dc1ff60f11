"""The researcher's report: everything a colleague or a referee asks of the analysis.

The page puts a TrialAnalysis and its further questions into words, tables and figures; nothing is
estimated here. What a response's section holds stands in `detail` and `further`.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import pandas as pd

from trialkit import plots
from trialkit.analysis.family import ADJUSTED, looked_at
from trialkit.decide.verdict import verdict
from trialkit.quantities import lower_first, upper_first
from trialkit.report import advice, formulas, further, methods
from trialkit.report.as_run import AsRun
from trialkit.report.calibration import Calibration, calibration
from trialkit.report.detail import SEED, SIMULATED, SIMULATED_BRIEF, Detail
from trialkit.report.downloads import links
from trialkit.report.export import nameless, tables
from trialkit.report.field_day_more import shown
from trialkit.report.fragments import (
    Fragment,
    bullets,
    figure,
    in_notebook,
    paragraph,
    section,
    table,
)
from trialkit.report.letters import Letters
from trialkit.report.parts import told
from trialkit.report.planned import planned_against_run
from trialkit.report.quality import quality
from trialkit.report.summary import summary
from trialkit.report.wording import findings, listed

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

FULL = ("header_loss", "kernel_damage")
"""Responses told in full; the others unfold."""
NAMES = {"header_loss": "Header loss", "kernel_damage": "Damaged kernels"}


class ResearcherPage:
    """The parts of the researcher's report, in reading order.

    Parameters
    ----------
    analysis : TrialAnalysis
        What is put into words, tables and figures.
    processes : int
        Processes the further questions are shared between; with one, each response's are asked
        when its section is.
    """

    def __init__(self, analysis: TrialAnalysis, processes: int = 1) -> None:
        self.analysis = analysis
        self.trial = analysis.trial
        self.config = analysis.trial.config
        self.letters = Letters(self.trial)
        self.details = {
            name: Detail(result, self.letters, self.config.units)
            for name, result in analysis.responses.items()
        }
        self.others = [name for name in self.details if name not in FULL]
        self.percent = f"{100 * analysis.level:g} %"
        self.processes = processes
        self._told: dict[str, dict[str, str]] = {}

    def _parts(self, name: str) -> dict[str, str]:
        """HTML of a response's parts."""
        if name not in self._told:
            asked = self.details if self.processes > 1 else {name: self.details[name]}
            self._told |= told(asked, FULL, self.processes)
        return self._told[name]

    def _repr_html_(self) -> str:
        """The headline and what else the page has, for the end of a notebook's cell."""
        return in_notebook(self)

    # ------------------------------------------------------------ what was asked and found
    def headline(self) -> Fragment:
        """The question, and the answer to it in brief."""
        compared = dict.fromkeys(
            f.label for d in self.details.values() for f in d.result.design.factors
        )
        what = listed([lower_first(self.letters.text(label)) for label in compared])
        verb = "does" if len(compared) == 1 else "do"
        first = shown(self.analysis, FULL)
        aims = [lower_first(NAMES.get(n, r.title)) for n, r in first.items()] or [
            "what was measured"
        ]
        parts = [
            paragraph(f"Analysis of a strip trial, season {self.config.season}", "kicker"),
            f"<h1>{escape(self.letters.text(self.config.title))}</h1>",
            paragraph(f"The question: what {verb} {what} change in {listed(aims)}?", "extent"),
        ]
        found = [line for name in first for line in self._found(name)]
        parts.append(bullets(found) if found else "")
        parts.append(
            paragraph(
                f"Ranges are {self.percent} intervals: values outside them fit the data poorly. "
                "Words follow p, adjusted for the number of comparisons, and the interval: clearly "
                "below 0.01, plainly below 0.05, of "
                f"{lower_first(self.details[self.analysis.primary].result.title)} 'probably' "
                "below 0.15. "
                + self.letters.text(" ".join(looked_at(self.analysis))),
                "quiet",
            )
        )
        return Fragment(f'<header class="headline">{"".join(parts)}</header>')

    def _found(self, name: str) -> list[str]:
        out = []
        for found in findings(self.details[name].result, self.config.units):
            said = "; ".join([found.extent, *found.absolute[1:]])
            out.append(self.letters.text(f"{found.sentence} {said}. {found.told}"))
        return out

    def contents(self) -> Fragment:
        """Links to the parts, for the screen."""
        items = [("answer", "Every comparison in one table"), ("as-run", "Design as run"),
                 ("quality", "Data quality"), *((n.replace("_", "-"), NAMES[n]) for n in FULL),
                 ("scores", "Scores by their order"), ("others", "Other responses"),
                 ("estimation", "How the numbers are made"),
                 ("calibration", "Can the intervals be trusted?"),
                 ("methods", "Methods, for a paper"), ("downloads", "All numbers"),
                 ("reproduce", "To run it again")]  # fmt: skip
        inner = {
            n.replace("_", "-"): [
                (f"{n.replace('_', '-')}-{part}", words) for part, words in _PARTS
            ]
            for n in FULL
            if n in self.details
        }
        rows = []
        for name, words in items:
            below = "".join(_anchor(*own) for own in inner.get(name, []))
            rows.append(_anchor(name, words, f"<ol>{below}</ol>" if below else ""))
        return Fragment(
            '<nav class="contents screen" aria-labelledby="contents"><h2 id="contents">Contents'
            f"</h2><ol>{''.join(rows)}</ol></nav>"
        )

    def answer(self) -> Fragment:
        """Every comparison of every response in one table."""
        said = summary(self.analysis)
        rows = [[self.letters.text(cell) for cell in row] for row in said.to_numpy(dtype=str)]
        return section(
            "answer",
            "Every comparison in one table",
            table(
                f"Differences with {self.percent} intervals. {ADJUSTED.rstrip('.')}",
                list(said.columns), rows,
            ),
            "<h3>What follows</h3>",
            bullets([self.letters.text(t) for t in advice.told(verdict(self.analysis))]),
            bullets([self.letters.text(t) for t in self.analysis.skipped.values()])
            if self.analysis.skipped else "",
        )  # fmt: skip

    # ------------------------------------------------------------ data
    def as_run(self) -> Fragment:
        """The layout, the strips as run, and what departs from what was meant."""
        run = AsRun(self.trial, self.letters)
        first = next(iter(self.details.values())).result
        plot = plots.strip_map(self.trial, field_names=self.letters.fields)
        for attribute in ("alt_text", "summary"):
            setattr(plot, attribute, self.letters.text(getattr(plot, attribute)))
        return section(
            "as-run",
            "Design as run",
            paragraph(self.letters.text(f"{upper_first(first.design.kind)}.")),
            paragraph(self.letters.text(first.why)),
            figure(plot, f"{plot.summary} A box is a pair (block); its name stands below it."),
            "<h3>Against what was meant</h3>",
            run.departures(),
            run.setups(),
            run.frames(),
            run.fields(),
            planned_against_run(self.analysis, self.letters),
        )

    def quality(self) -> Fragment:
        """Refusals, missing values and counts far from the others."""
        missing = []
        for name, own in self.trial.tables().items():
            share = own.isna().sum()
            gaps = [f"{column} {n}" for column, n in share.items()
                    if 0 < n < len(own) and column not in ("note", "notes")]  # fmt: skip
            if gaps:
                missing.append(f"{name} ({len(own)} rows): {', '.join(gaps)} missing.")
        looked = [self.letters.text(t) for t in self.analysis.warnings]
        return section(
            "quality",
            "Data quality",
            "<h3>Refused rows</h3>",
            *quality(self.trial, self.letters)[1:],
            "<h3>Missing values</h3>",
            bullets(missing) if missing
            else paragraph("No column that was filled in has a gap."),
            "<h3>Values looked at twice</h3>",
            bullets(looked) if looked
            else paragraph("No count lies far from the others of its zone; none was left out."),
        )  # fmt: skip

    # ------------------------------------------------------------ responses
    def header_loss(self) -> Fragment:
        """Header loss in full."""
        return self._full("header_loss")

    def kernel_damage(self) -> Fragment:
        """Damaged kernels in full."""
        return self._full("kernel_damage")

    def _full(self, name: str) -> Fragment:
        ident = name.replace("_", "-")
        if name not in self.details:
            reason = self.analysis.skipped.get(name, "The trial holds no data for it.")
            return section(ident, NAMES[name],
                           paragraph(self.letters.text(f"Not analysed. {reason}")))  # fmt: skip
        parts = self._parts(name)
        draw = plots.loss_by_setup if name == "header_loss" else plots.damage_by_setup
        picture = figure(
            draw(self.analysis),
            f"Large mark: adjusted mean. Bar: {self.percent} interval. Rings: single strips.",
        )
        return section(
            ident,
            NAMES[name],
            f'<div class="screen">{parts["answers"]}</div>',  # on paper they are near above
            picture,
            *(parts[part] for part, _ in _PARTS),
        )

    def scores(self) -> Fragment:
        """Scores by their order, where there are any."""
        return section("scores", "Scores by their order",
                       further.scores(self.analysis, self.letters))  # fmt: skip

    def other_responses(self) -> Fragment:
        """Every other response, folded."""
        if not self.others:
            return section("others", "Other responses", paragraph("No other was measured."))
        return section(
            "others",
            "Other responses",
            paragraph("Estimates, model and verdict of each response unfold.", "screen"),
            paragraph(
                f"Whether a model holds was judged here by its shape alone, against "
                f"{SIMULATED_BRIEF} simulated data sets (seed {SEED}); no unit was left out."
            ),
            paragraph(
                "Models, other models and variance components of these stand on the page on "
                "screen.",
                "paper",
            ),
            *(self._parts(name)["brief"] for name in self.others),
        )

    # ------------------------------------------------------------ method
    def estimation(self) -> Fragment:
        """What all models share: likelihood, test, adjustment."""
        counts = any(d.result.fit.family.counts for d in self.details.values())
        values = any(not d.result.fit.family.counts for d in self.details.values())
        parts = []
        if counts:
            parts += [
                paragraph(
                    "Counts. The variances θ maximise the restricted likelihood, in which the "
                    "fixed effects β are integrated out with the unit effects u; the integral is "
                    "by Laplace's approximation at the joint mode."
                ),
                formulas.likelihood(False).html("Restricted likelihood of counts"),
            ]
        if values:
            parts += [
                paragraph("Gaussian responses. The variances maximise the restricted likelihood."),
                formulas.likelihood(True).html("Restricted likelihood of Gaussian values"),
            ]
        parts += [
            *methods.tests([d.result for d in self.details.values()]),
            paragraph(
                "Intervals of ratios and differences are from the distribution of p: they leave "
                "out no difference just when p, unadjusted, is small enough. Means have "
                "standard errors by the delta method from the covariance of Kenward and Roger; "
                "variances inside a mean are taken as known. p-values are adjusted by Holm (1979), "
                "of the primary response within a factor, of all others over all of their "
                "comparisons."
            ),
        ]
        return section("estimation", "How the numbers are made", *parts)

    def calibration(self) -> Fragment:
        """Error rates of the inference in simulated trials like this one."""
        parts = [
            paragraph(
                "The rule of inference was tried on simulated trials whose truth is known; these "
                "are the simulated layouts nearest to the ones here. All of them, and the recovery "
                "of true losses by whole analyses, stand in the notebook truth.ipynb."
            )
        ]
        seen: dict[str, list[str]] = {}
        found: dict[str, Calibration] = {}
        for detail in self.details.values():
            own = calibration(detail.result)
            if own is not None:
                seen.setdefault(own.setting, []).append(lower_first(detail.result.title))
                found.setdefault(own.setting, own)
        for setting, own in found.items():
            caption = (
                f"{upper_first(setting)}: a true null rejected at 5 %, per cent of {own.rounds:,} "
                "rounds and more, by the true spread of the error (link scale); power for 30 % "
                "less at a spread of 0.2"
            )
            parts += [
                f"<h3>{escape(upper_first(listed(seen[setting])))}</h3>",
                paragraph(self.letters.text(own.nearness)),
                paragraph(own.sentence),
                table(caption, ["method", "effect of", *own.spreads, "power"], own.rows),
            ]  # fmt: skip
        if not found:
            parts.append(paragraph("No simulated layout lies near this one."))
        return section("calibration", "Can the intervals be trusted?", *parts)

    def methods(self) -> Fragment:
        """A paragraph for a paper, and what it cites."""
        return section(
            "methods",
            "Methods, for a paper",
            paragraph(self.letters.text(methods.paragraph_for_a_paper(self.analysis))),
            "<h3>References</h3>",
            bullets(methods.references(self.analysis)),
        )

    # ------------------------------------------------------------ numbers and how to get them again
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the page, letters for names: those of the analysis, and of its checks."""
        full = {n: self.details[n] for n in FULL if n in self.details}
        more = {
            "pairwise": {n: pd.concat([t.assign(factor=f) for f, t in d.pairwise.items()])
                         for n, d in self.details.items() if d.pairwise},
            "checks": {n: d.check.checks if n in FULL else d.brief_check.checks
                       for n, d in self.details.items()},
            "left_out": {n: d.check.influence for n, d in full.items()},
            "alternatives": {n: d.alternatives.table for n, d in self.details.items()},
        }  # fmt: skip
        out = tables(self.analysis)
        for name, parts in more.items():
            known = {n: t for n, t in parts.items() if len(t)}
            if known:
                joined = pd.concat(known, names=["response"]).reset_index(level="response")
                out[name] = nameless(joined, self.letters)
        return out

    def downloads(self) -> Fragment:
        """All numbers, as files inside the page."""
        own = self.tables()
        return section(
            "downloads",
            "All numbers",
            paragraph(
                "SI throughout, with bu/ac beside kg/ha. The files are inside this page; nothing "
                "is fetched.", "screen",
            ),
            links(own),
            paragraph(
                "The page on screen holds every table as a file (one workbook, and CSV); "
                "trialkit analyse FOLDER --out DIR writes those of the analysis.", "paper",
            ),
        )  # fmt: skip

    def colophon(self) -> Fragment:
        """What it takes to run it again."""
        known = ", ".join(f"{name} {text}" for name, text in methods.versions().items())
        items = [
            f"Data fingerprint (SHA-256): {self.trial.data_hash()}.",
            f"Versions: {known}.",
            f"Seeds: {SEED} for every check ({SIMULATED} simulated data sets for "
            f"{listed([lower_first(NAMES[n]) for n in FULL])}, {SIMULATED_BRIEF} for the others); "
            "nothing else is drawn at random that a fixed seed of the program does not repeat.",
            f"Computed {methods.now()}.",
            "Names of growers and fields are "
            + ("shown as agreed." if self.letters.agreed else "letters."),
            "Agronomic figures are estimates for a decision, not guarantees.",
        ]
        return Fragment(
            '<footer class="colophon"><h2 id="reproduce">To run it again</h2>'
            f"{bullets(items)}</footer>"
        )


_PARTS = (
    ("model", "Model"),
    ("estimates", "Estimates"),
    ("variances", "Variance components"),
    ("diagnostics", "Does the model hold?"),
    ("sensitivity", "Other models"),
    ("fields", "Field by field"),
    ("along", "Along moisture and speed"),
    ("surface", "Over gap and speed"),
    ("power", "What it could tell"),
)


def _anchor(name: str, words: str, more: str = "") -> str:
    return f'<li><a href="#{escape(name)}">{escape(words)}</a>{more}</li>'
