"""One response in full: its model in mathematics and words, every estimate, its checks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit import plots
from trialkit.analysis.covariates import SHORT
from trialkit.display import freedom
from trialkit.errors import DesignError, ModelError
from trialkit.quantities import Scale, lower_first, number, scales, span, upper_first
from trialkit.report import formulas, second_answer
from trialkit.report.cells import figures, p_value, ratio_of, span_of, with_interval
from trialkit.report.fragments import bullets, figure, paragraph, table
from trialkit.report.wording import findings, listed

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis
    from trialkit.analysis.alternatives import Alternatives
    from trialkit.analysis.checks import ModelCheck
    from trialkit.report.letters import Letters

# The least p there can be, times the number of a response's checks, still lies below the cuts of
# a doubt (told in full) and of a note (folded).
SIMULATED, SIMULATED_BRIEF = 300, 200
SEED = 1
ZERO_VARIANCE = "The variance between units of"
ANSWERS = ("check", "brief_check", "alternatives", "pairwise")
UNITS_DRAWN = 40  # of a figure that one page holds
_DIFFERENCES = {"%": "percentage points", "score": "steps"}


class Detail:
    """The parts of one response's section as HTML; each of its questions is answered once.

    Parameters
    ----------
    result : ResponseAnalysis
    letters : Letters
    system : {"US", "SI"}
    """

    def __init__(self, result: ResponseAnalysis, letters: Letters, system: str) -> None:
        self.result, self.letters, self.system = result, letters, system
        self.name = result.response.replace("_", "-")
        self.scales = scales(result.unit, system)
        self.labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in result.design.factors
        }
        self.percent = f"{100 * result.level:g} %"

    # ------------------------------------------------------------ answered once
    @cached_property
    def check(self) -> ModelCheck:
        """The model's check with every pair and field left out in turn."""
        return self.result.check(SEED, n=SIMULATED)

    @cached_property
    def brief_check(self) -> ModelCheck:
        """The shape of the model alone, of fewer simulations."""
        return self.result.check(SEED, n=SIMULATED_BRIEF, influence=False)

    @cached_property
    def alternatives(self) -> Alternatives:
        return self.result.alternatives()

    @cached_property
    def pairwise(self) -> dict[str, pd.DataFrame]:
        """Every two levels by Tukey, for factors of three levels or more."""
        return {
            name: self.result.pairwise(name).table
            for name, levels in self.result.design.levels.items()
            if len(levels) > 2
        }

    @property
    def answered(self) -> dict[str, Any]:
        """Answers there are by now, by name."""
        return {name: self.__dict__[name] for name in ANSWERS if name in self.__dict__}

    def keep(self, answered: Mapping[str, Any]) -> None:
        """Take over answers worked out by a copy in another process."""
        self.__dict__.update(answered)

    # ------------------------------------------------------------ pieces
    def heading(self, part: str, title: str, level: int = 3) -> str:
        return f'<h{level} id="{self.name}-{part}">{escape(title)}</h{level}>'

    def text(self, text: object, kind: str = "") -> str:
        return paragraph(self.letters.text(text), kind)

    def label(self, factor: str, level: str) -> str:
        return self.letters.text(self.labels[factor][level])

    def against(self, row: Any) -> str:
        return (
            f"{self.label(row['factor'], row['level'])} against "
            f"{lower_first(self.label(row['factor'], row['reference']))}"
        )

    # ------------------------------------------------------------ parts
    def answers(self) -> str:
        """Every contrast in graded words."""
        out = []
        for found in findings(self.result, self.system):
            said = f"{upper_first(self.against(found.own.row))}: {found.absolute[0]}."
            out.append(f"{said} {self.letters.text(found.told)}")
        return bullets(out)

    def model(self, level: int = 3) -> str:
        """The model in mathematics and in words."""
        result = self.result
        about = f"Model of {lower_first(result.title)}"
        parts = [self.heading("model", "Model", level)]
        parts.append(formulas.beside(formulas.law(result)).html(about))
        parts += [line.html(about) for line in formulas.predictor(result, self.letters)]
        laws = formulas.effects(result, self.letters)
        for i in range(0, len(laws), formulas.PER_LINE):
            some = formulas.beside(laws[i : i + formulas.PER_LINE])
            parts.append(some.html(f"{about}: random effects"))
        parts.append(formulas.reported(result).html(f"{about}: reported mean"))
        parts.append(bullets(formulas.in_words(result, self.letters, self.system)))
        parts.append(self.text(f"{result.model.rstrip('.')}. {result.why}"))
        if notes := self.notes(result.notes):
            parts.append(bullets(notes))
        return "".join(parts)

    def notes(self, notes: Iterable[str]) -> list[str]:
        """Notes for a list, without those that the table of variances shows."""
        return [self.letters.text(note) for note in notes if not note.startswith(ZERO_VARIANCE)]

    def estimates(self, level: int = 3) -> str:
        """Adjusted means and contrasts with every number of the analysis."""
        heading = self.heading("estimates", "Estimates", level)
        return heading + self.means() + self.contrasts() + self.at_same()

    def means(self) -> str:
        result = self.result
        rows = []
        for row in result.means.to_dict("records"):
            ends = (row["estimate"], row["low"], row["high"])
            cells = [self.label(row["factor"], row["level"])]
            cells += [with_interval(span(*ends, s)) for s in self.scales]
            cells += [figures(row["se"] * self.scales[0].factor), freedom(row["df"])]
            rows.append(cells)
        own = self.scales[0].unit
        head = ["setup", *(s.unit for s in self.scales), f"se, {own}", "df"]
        return table(f"{result.title}: adjusted means ({self.percent} interval)", head, rows)

    def _difference_scales(self) -> list[Scale]:
        return [Scale(_DIFFERENCES.get(s.unit, s.unit), s.factor) for s in self.scales]

    def contrasts(self, pairs: bool = True) -> str:
        """Every level against its reference; `pairs` adds every two levels."""
        out = self._compared(self.result.contrasts, "differences from the reference")
        return out + self.all_pairs() if pairs else out

    def at_same(self) -> str:
        """The second answer, where there is one: what it is, and its contrasts."""
        second = self.result.at_same
        if second is None:
            return ""
        said = [second.words, *second_answer.apart(self.result, self.system), *second.notes]
        out = "".join(self.text(text) for text in said)
        if second.contrasts.empty:
            return out
        return out + self._compared(second.contrasts, f"differences at the same {second.what}")

    def _compared(self, contrasts: pd.DataFrame, what: str) -> str:
        known = self._difference_scales()
        ratios = contrasts["ratio"].notna().any()
        # nothing to show where no strip design has a simpler test
        classical = bool(contrasts.get("p_classical_adjusted", pd.Series()).notna().any())
        rows = []
        for row in contrasts.to_dict("records"):
            cells = [self.against(row)]
            cells += [with_interval(span_of(row, "difference", s)) for s in known]
            if ratios:
                cells.append(ratio_of(row))
            cells += [freedom(row["df"]), p_value(row["p"]), p_value(row["p_adjusted"])]
            if classical:
                cells += [p_value(row["p_classical"]), p_value(row["p_classical_adjusted"])]
            if "p_rank" in row:
                cells.append(p_value(row["p_rank"]))
            rows.append(cells)
        head = ["comparison", *(s.unit for s in known), *(["ratio"] if ratios else []),
                "df", "p", "p, Holm"]  # fmt: skip
        beside = ""
        if classical:
            head += ["simpler p", "simpler p, Holm"]
            known = contrasts[contrasts["p_classical"].notna()].drop_duplicates("classical")
            named = [
                f"{row.classical} ({freedom(row.df_classical, 0)} df)" for row in known.itertuples()
            ]
            beside = self.text(f"Simpler test of the same strips: {listed(named)}.")
        if "p_rank" in contrasts:
            head.append("p, ranks")
        return table(
            f"{self.result.title}: {what} ({self.percent} interval; p, Holm: adjusted "
            f"{self.result.adjusted_within})", head, rows,
        ) + beside  # fmt: skip

    def all_pairs(self) -> str:
        known = self._difference_scales()
        return "".join(self._pairs(name, pairs, known) for name, pairs in self.pairwise.items())

    def _pairs(self, factor: str, pairs: pd.DataFrame, known: list[Scale]) -> str:
        title = next(f.label for f in self.result.design.factors if f.name == factor)
        ratios = pairs["ratio"].notna().any()
        rows = []
        for row in pairs.to_dict("records"):
            one, other = self.label(factor, row["level"]), self.label(factor, row["against"])
            cells = [f"{one} against {lower_first(other)}"]
            cells += [with_interval(span_of(row, "difference", s)) for s in known[:1]]
            if ratios:
                cells.append(ratio_of(row))
            rows.append([*cells, freedom(row["df"]), p_value(row["p"]),
                         p_value(row["p_adjusted"])])  # fmt: skip
        head = ["comparison", known[0].unit, *(["ratio"] if ratios else []), "df", "p", "p, Tukey"]
        caption = (
            f"{self.letters.text(title)}: every two levels in "
            f"{lower_first(self.result.title)} (intervals hold together at {self.percent}, Tukey)"
        )
        return table(caption, head, rows)

    def variances(self, level: int = 3) -> str:
        """Variance components and tests of the terms."""
        result = self.result
        terms = {str(n): self.letters.text(f.label) for f in result.design.factors
                 for n in [f.name]}  # fmt: skip
        rows = []
        for row in result.variances.to_dict("records"):
            name = str(row["level"]).replace("_", " ")
            if row["term"] != "Intercept":
                name = f"{terms.get(str(row['term']), str(row['term']))} by {name}"
            rows.append([name, figures(row["variance"]), figures(row["sd"]),
                         self._spread(float(row["sd"]))])  # fmt: skip
        if not result.fit.family.counts:
            sd = float(result.fit.dispersion)
            rows.append([f"residual ({result.specification.row})", figures(sd**2), figures(sd),
                         self._spread(sd)])  # fmt: skip
        scale = {"log": "logarithm", "logit": "logit"}.get(result.specification.link, result.unit)
        out = [
            self.heading("variances", "Variance components and tests of terms", level),
            table(f"{result.title}: variance components, model's scale ({scale})",
                  ["component", "variance", "sd", "in plain words"], rows),
            self.text(self._intraclass()),
            self._tests(),
        ]  # fmt: skip
        return "".join(out)

    def _spread(self, sd: float) -> str:
        link = self.result.specification.link
        if sd == 0:
            return "estimated at zero"
        if link == "identity":
            own = self.scales[0]
            return f"two thirds lie within ±{figures(sd * own.factor)} {own.unit} of the mean"
        what = "odds" if link == "logit" else "values"
        return f"two thirds of the {what} lie within a factor of {math.exp(sd):.2f}"

    def _intraclass(self) -> str:
        result = self.result
        if result.fit.family.counts:
            return (
                "An intraclass correlation of counts depends on their mean and is not given; the "
                "share of each source in the variance of the comparison stands with the power "
                "attained."
            )
        try:
            found = result.fit.intraclass_correlation(result.level)
        except ModelError as error:
            return f"No intraclass correlation: {error}"
        parts = [
            f"{str(r.level).replace('_', ' ')} {r.estimate:.2f} ({r.low:.2f} to {r.high:.2f})"
            for r in found.itertuples()
        ]
        return f"Intraclass correlation ({self.percent} profile interval): {', '.join(parts)}."

    def _tests(self) -> str:
        names = {f.name: f.label for f in self.result.design.factors}
        rows = []
        for term, row in self.result.term_tests.iterrows():
            words = " by ".join(
                names.get(part, SHORT.get(part, part)) for part in str(term).split(":")
            )
            rows.append([self.letters.text(words), number(row["F"], 2), number(row["num_df"], 0),
                         freedom(row["den_df"]), p_value(row["p"])])  # fmt: skip
        return table(f"{self.result.title}: F tests of the fixed terms",
                     ["term", "F", "df", "denominator df", "p"], rows)  # fmt: skip

    def diagnostics(self, level: int = 3) -> str:
        """Does the model hold, and what does the answer rest on."""
        check = self.check
        parts = [
            self.heading("diagnostics", "Does the model hold?", level),
            self.text(check.verdict),
            self._checks(check),
            self.text(
                f"Observed statistics are held against {SIMULATED} data sets simulated from the "
                f"fitted model (seed {SEED}), so no p-value is finer than 1 in {SIMULATED + 1}; p "
                "is also given adjusted by Holm over checks of a kind."
            ),
            self._pictures(check),
        ]
        return "".join(parts)

    def _checks(self, check: ModelCheck) -> str:
        rows = [
            [self._check_name(str(r.check)), figures(r.observed), figures(r.expected),
             p_value(r.p), p_value(r.p_adjusted)]
            for r in check.checks.itertuples()
        ]  # fmt: skip
        return table(f"{self.result.title}: checks of the model",
                     ["check", "observed", "expected", "p", "p, Holm"], rows)  # fmt: skip

    def _check_name(self, name: str) -> str:
        kind, _, rest = name.partition(", ")
        if kind == "pair apart" and rest:
            factor, _, level = rest.partition(" ")
            if level in self.labels.get(factor, {}):
                return f"pair apart, {lower_first(self.label(factor, level))}"
        return name.replace("_", " ")

    def _pictures(self, check: ModelCheck) -> str:
        plot = plots.residual_quantiles(check)
        out = [figure(plot, plot.summary)]
        try:
            plot = plots.effect_quantiles(check)
            out.append(figure(plot, plot.summary))
        except DesignError as error:
            out.append(self.text(error))
        drawn = []
        for row in check.full.to_dict("records"):
            shown, words = self._moved_most(check, row)
            try:
                plot = plots.influence(
                    shown, row["factor"], row["level"], field_names=self.letters.fields
                )
            except DesignError as error:
                drawn.append(self.text(f"{self.against(row)}: {error}"))
                continue
            drawn.append(figure(plot, f"{self.against(row)}. {words}{plot.summary}"))
        return (
            f'<div class="figures">{"".join(out)}</div>'
            f'<h4>What the answer rests on</h4><div class="figures">{"".join(drawn)}</div>'
        )

    def _moved_most(self, check: ModelCheck, row: Any) -> tuple[ModelCheck, str]:
        """A check with no more units than a page can hold, those that move a contrast most."""
        table = check.influence
        if table.empty:
            return check, ""
        own = table[table["factor"].eq(row["factor"]) & table["level"].eq(row["level"])]
        if len(own) <= UNITS_DRAWN:
            return check, ""
        moved = (own["difference"] - row["difference"]).abs().nlargest(UNITS_DRAWN)
        words = (
            f"Drawn are the {UNITS_DRAWN} of {len(own)} pairs and fields without which it moves "
            "most; the verdict above speaks of all of them. "
        )
        return replace(check, influence=own.loc[sorted(moved.index)]), words

    def sensitivity(self, level: int = 3) -> str:
        """The same question asked of other models."""
        found = self.alternatives
        own = self._difference_scales()[0]
        parts = [
            self.heading("sensitivity", "Does the answer hang on the choice of model?", level),
            self.text(f"{found.conclusion}{self._alone()}"),
        ]
        roles = {"chosen": " (this report's)", "warning": " (a warning, not a choice)"}
        keys = ["factor", "level", "reference"]
        remarks: dict[str, dict[str, list[str]]] = {}  # of a model: what, of which comparisons
        for _, rows in found.table.groupby(keys, sort=False):
            cells = []
            against = self.against(rows.iloc[0])
            for row in rows.to_dict("records"):
                aic = number(row["aic"], 1) if row["same_rows"] and row["aic"] == row["aic"] else ""
                told = [ratio_of(row), with_interval(span_of(row, "difference", own)),
                        p_value(row["p_adjusted"]), aic]  # fmt: skip
                cells.append([f"{row['model']}{roles.get(row['role'], '')}", *told])
                if why := str(row["reason"] or row["remark"]):
                    remarks.setdefault(row["model"], {}).setdefault(why, []).append(against)
            parts.append(table(f"{self.result.title} by other models: {against}",
                               ["model", "ratio", own.unit, "p, Holm", "AIC"], cells))  # fmt: skip
        if remarks:
            told = [f"{model}: {_told_once(own)}." for model, own in remarks.items()]
            parts.append(bullets([self.letters.text(text) for text in told]))
        parts.append(
            self.text(
                f"AIC compares models of the {found.compared} only; smaller is better supported, "
                "and differences below 2 say little.",
                "record",
            )
        )
        return "".join(parts)

    def _alone(self) -> str:
        """That other models are held against this one by itself, where others are counted too."""
        if self.result.primary:
            return ""
        return " Here p is adjusted within the factor alone, for every model alike."

    def brief(self) -> str:
        """The response inside an element that unfolds; on paper its estimates and verdict alone."""
        inside = [
            self.means(),
            self.contrasts(pairs=False),
            self.text(self.brief_check.verdict),
            '<div class="screen">',
            self.at_same(),
            self.all_pairs(),
            self.text(f"{self.alternatives.conclusion}{self._alone()}"),
            self.model(4),
            self.variances(4),
            "</div>",
        ]
        return (
            f'<details class="response"><summary><h3 id="{self.name}">'
            f"{escape(upper_first(self.result.title))}, {escape(self.scales[0].unit)}</h3>"
            f"</summary>{''.join(inside)}</details>"
        )


def _told_once(remarks: Mapping[str, list[str]]) -> str:
    """Remarks of one model, each with the comparisons it is about where they differ."""
    if len(remarks) == 1:
        return next(iter(remarks))
    return "; ".join(f"{why} ({', '.join(whom)})" for why, whom in remarks.items())
