"""The header page: what to repair first and why, the header drawn to scale, every row's verdict.

It works before harvest, from the settings and the header check alone. Its numbers are those of
`trialkit.header` and, for the trial's noise, of the analysis of header loss.
"""

from __future__ import annotations

from datetime import date
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from trialkit import __version__
from trialkit.errors import ReportError, TrialkitError
from trialkit.header import HeaderReport
from trialkit.header.words import MEASURING, extent
from trialkit.quantities import listed, lower_first, upper_first
from trialkit.report.field_day import CAUTIONS, DEFER
from trialkit.report.fragments import Fragment, bullets, in_notebook, paragraph, section
from trialkit.report.header_one import OneHeader
from trialkit.report.header_options import header_reports
from trialkit.report.header_tables import settings_table
from trialkit.report.letters import Letters
from trialkit.report.quality import quality
from trialkit.trial import Trial

# Those of the cautions that are about touching a machine; the others are about counting.
TOUCHING = tuple(CAUTIONS[k] for k in (0, 2, 3, 4, 5))


class HeaderPage:
    """The parts of the header page, in reading order; `each` has those of every header.

    Parameters
    ----------
    trial : Trial
        With ``header_check``; `trialkit.load_trial` reads one before harvest with
        ``harvested=False``.
    loss_ratio : float, optional
        Assumed ratio of header losses per mm of gap, for what uneven gaps do to the noise; by
        default the trial's own where it ran several gaps.
    **options
        Of `header_options.header_reports`, in the trial's own units: ``speeds``, ``cushion``, ...

    Raises
    ------
    DesignError, ReportError
        Without a header check; for an option out of range.
    """

    def __init__(self, trial: Trial, *, loss_ratio: float | None = None, **options: Any) -> None:
        if loss_ratio is not None and not 0 < loss_ratio < np.inf:
            raise ReportError(f"the loss ratio must be above zero, not {loss_ratio:g}.")
        self.trial = trial
        self.letters = Letters(trial)
        self.reports: tuple[HeaderReport, ...] = header_reports(trial, **options)
        several = len(self.reports) > 1
        damage = trial.ear_butt_damage.merge(trial.strips[["strip", "field"]], on="strip")
        self.each = tuple(
            OneHeader(
                report, self.letters, self._loss, loss_ratio,
                trial.ear_butts[trial.ear_butts["field"].isin(report.fields["field"])],
                f"-{k}" * several,
                damage[damage["field"].isin(report.fields["field"])],
            )
            for k, report in enumerate(self.reports, 1)
        )  # fmt: skip
        self._result: Any = False

    def _repr_html_(self) -> str:
        """The headline and what else the page has, for the end of a notebook's cell."""
        return in_notebook(self)

    def _loss(self) -> Any:
        """The analysis of header loss; None where nothing was counted that can be analysed."""
        if self._result is False:
            self._result = None
            if self.trial.frames["zone"].eq("header").any():
                from trialkit.analysis import analyse

                try:
                    analysis = analyse(self.trial, responses=["header_loss"])
                    self._result = analysis.responses.get("header_loss")
                except TrialkitError:
                    pass
        return self._result

    def noted(self, report: HeaderReport) -> list[str]:
        """What was not known of one header, in sentences."""
        return [self.letters.text(f"{upper_first(note)}.") for note in report.notes]

    def headline(self) -> Fragment:
        """What to repair first, in one sentence."""
        config = self.trial.config
        told = [_headline(report, len(self.reports) > 1) for report in self.reports]
        first, *others = (self.letters.text(text) for text in told)
        parts = [
            paragraph(f"{self.letters.text(config.title)}, {config.season}", "kicker"),
            f"<h1>{escape(first)}</h1>",
            *(paragraph(other, "extent") for other in others),
            paragraph(self.letters.text(". ".join(map(extent, self.reports)) + "."), "grade"),
        ]
        return Fragment(f'<header class="headline">{"".join(parts)}</header>')

    def cautions(self) -> Fragment:
        """The cautions for anyone who touches a header."""
        return section(
            "cautions", "Before anyone touches the header",
            paragraph(MEASURING, "defer"), bullets(TOUCHING), paragraph(DEFER),
        )  # fmt: skip

    def limits(self) -> Fragment:
        """What the rows were judged by: every limit with its source."""
        report = self.reports[0]
        words = paragraph(
            "Common practice is what the trade goes by, with no published figure behind it; the "
            "operator's manual of the header has its own, and they come first. Every limit and "
            "every size of the row unit can be given."
        )
        return section("limits", "Limits used", words, settings_table(report))

    def record(self) -> Fragment:
        """What could not be said or used, and why."""
        notes = list(dict.fromkeys(note for report in self.reports for note in report.notes))
        items = [f"{upper_first(self.letters.text(note))}." for note in notes]
        items.append(
            "Agronomic figures are estimates for a decision, not guarantees; a header that reads "
            "in order here may still have what no one measured."
        )
        faults = [] if self.trial.refused.empty else quality(self.trial, self.letters)
        return section("gaps", "What was not known", bullets(items), *faults)

    def colophon(self) -> Fragment:
        """Version, data hash and date, so that the page can be made again."""
        names = "shown as agreed" if self.letters.agreed else "letters"
        return Fragment(
            '<footer class="colophon">'
            + paragraph(
                f"Made with trialkit {__version__} on {date.today().isoformat()}. Data "
                f"fingerprint (SHA-256): {self.trial.data_hash()[:16]}. Names of growers and "
                f"fields are {names}."
            )
            + "</footer>"
        )


def _headline(report: HeaderReport, several: bool) -> str:
    which = f"Header {report.header}: " if several else ""
    first = [lower_first(item.label) for item in report.items if item.grade == "repair"]
    others = [lower_first(item.label) for item in report.items if item.grade != "repair"]
    if not report.measured:
        text = "nothing is measured yet"
    elif first:
        then = first[1:3]
        more = f", then {len(first) - 3} more" if len(first) > 3 else ""
        # "row 3 and row 5" are "rows 3 and 5".
        if len(then) == 2 and all(label.startswith("row ") for label in then):
            then = [f"rows {then[0][4:]}", then[1][4:]]
        named = listed(then)
        whole = report.items[0].whole
        text = "repair first what all rows have" if whole else f"repair {first[0]}"
        text += f"{' first' * (not whole)}, then {named}{more}" * bool(then)
    elif others:
        text = f"nothing to repair yet; see what is found on {listed(others[:3])}"
        text += f" and {len(others) - 3} more" * (len(others) > 3)
    else:
        bare = pd.Series(report.rows["verdict"]).str.contains("not measured|as far as").any()
        text = "nothing to repair was found" + (", as far as it was measured" if bare else "")
    return which + (text if several else upper_first(text))
