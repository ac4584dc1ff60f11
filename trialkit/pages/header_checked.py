"""The headers of a trial as the parts of their page see them: checked once, one after the other."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Unpack

import numpy as np

from trialkit.errors import ReportError, TrialkitError
from trialkit.header import HeaderReport
from trialkit.pages.context import Context
from trialkit.pages.elements import Sentence, Table
from trialkit.pages.header_options import HeaderOptions, header_reports
from trialkit.words.lengths import Lengths

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis
    from trialkit.trial import Trial

ONE = ("header_rows.title", "header_rows.fix_first", "header_rows.drawing", "header_rows.verdicts",
       "header_gap.target", "header_gap.feeding", "header_gap.noise")  # fmt: skip
"""Parts about one header, in reading order."""


def checked(
    trial: Trial, *, loss_ratio: float | None = None, **options: Unpack[HeaderOptions]
) -> Context:
    """What the page of a trial's headers is made from.

    Raises
    ------
    DesignError, ReportError
        Without a header check; for an option out of range.
    """
    if loss_ratio is not None and not 0 < loss_ratio < np.inf:
        raise ReportError(f"the loss ratio must be above zero, not {loss_ratio:g}.")
    found = header_reports(trial, **options)
    return Context(trial=trial, options={"reports": found, "loss_ratio": loss_ratio})


def reports(context: Context) -> tuple[HeaderReport, ...]:
    """Every header of the page."""
    found: tuple[HeaderReport, ...] = context.options["reports"]
    return found


def several(context: Context) -> bool:
    """Whether the page is about more than one header."""
    return len(reports(context)) > 1


def each(context: Context) -> tuple[Context, ...]:
    """A context for each header, for the parts of `ONE`."""
    return context.once(_each)


def _each(context: Context) -> tuple[Context, ...]:
    return tuple(
        Context(trial=context.trial, options={
            **context.options, "report": report, "place": place, "page": context,
        })
        for place, report in enumerate(reports(context), 1)
    )  # fmt: skip


def loss(context: Context) -> ResponseAnalysis | None:
    """The analysis of header loss; None where nothing was counted that can be analysed."""
    page: Context = context.options["page"]
    return page.once(_loss)


def _loss(context: Context) -> ResponseAnalysis | None:
    if not context.trial.frames["zone"].eq("header").any():
        return None
    from trialkit.analysis import analyse

    try:
        analysis = analyse(context.trial, responses=["header_loss"])
    except TrialkitError:
        return None
    return analysis.responses.get("header_loss")


class Said:
    """How one header is told: its report, in its trial's units, with letters for names."""

    def __init__(self, context: Context) -> None:
        self.report: HeaderReport = context.options["report"]
        self.system = self.report.system
        self.say = Lengths(self.system)
        self.letters = context.letters

    def text(self, text: str) -> str:
        """Running text: names struck out, numbers and the units after them on one line."""
        return tied(self.letters.text(text))

    def sentence(self, text: str, kind: str = "") -> Sentence:
        """A paragraph of it."""
        return Sentence(self.text(text), kind)

    def table(
        self, caption: str, head: list[str], rows: list[list[str]], kind: str = "cards"
    ) -> Table:
        """A table of it without the columns in which nothing stands."""
        keep = [k for k in range(len(head)) if any(row[k] for row in rows)]
        text = self.letters.text
        return Table(
            text(caption), tuple(head[k] for k in keep),
            tuple(tuple(self.text(row[k]) for k in keep) for row in rows), kind=kind,
        )  # fmt: skip

    def field(self, name: object) -> str:
        """A field as the page calls it."""
        return self.letters.fields.get(str(name), self.letters.text(name))

    def cell(self, mm: float, signed: bool = False) -> str:
        """A length, "" where it is missing; with its sign where that matters."""
        if np.isnan(mm):
            return ""
        text = self.say.value(mm)
        return f"+{text}" if signed and mm > 0 and float(text) != 0 else text

    def roll(self, mm: float) -> str:
        """A length along the rolls without its unit."""
        return "" if np.isnan(mm) else self.say.roll(mm).split()[0]

    def speed(self, kmh: float) -> str:
        """A speed without its unit."""
        return "" if np.isnan(kmh) else self.say.speed(kmh).split()[0]


def tied(text: str) -> str:
    """Numbers and the units after them on one line."""
    return re.sub(r"(?<=\d) (?=(?:%|in|mm|mph|km/h|ft)\b|%)", "\N{NO-BREAK SPACE}", text)
