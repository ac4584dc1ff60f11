"""Who reads a page, and the parts it is made of, in reading order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Unpack

from trialkit.errors import DesignError
from trialkit.pages import header_checked
from trialkit.pages.context import Context
from trialkit.pages.header_options import HeaderOptions
from trialkit.pages.page import Page

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.trial import Trial


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader's page.

    Attributes
    ----------
    notebook : str
        Under notebooks/reports; the page's files are named like it.
    title : str
    layout : str
        On paper: a template under ``templates/print``.
    parts : tuple of str
        Names of parts (`trialkit.pages.registry`).
    abreast : tuple of str
        Sections that stand in two columns on a wide screen.
    harvested : bool
        Whether it is about a trial that was harvested.
    styles : tuple of str
        Styles and scripts of other pages that it takes too, by their page's name.
    """

    notebook: str
    title: str
    layout: str
    parts: tuple[str, ...] = ()
    abreast: tuple[str, ...] = ()
    harvested: bool = True
    styles: tuple[str, ...] = ()


READERS = {
    "field-day": Reader("field_day", "Field day", "handout", (
        "effect.headline", "effect.loss_by_setup", "effect.pair_by_pair", "worth.worth",
        "effect.also", "advice.what_to_try", "advice.unknown", "record.measured",
        "record.cautions", "record.thanks", "effect.damage", "sources.sources", "record.record",
        "record.colophon",
    ), abreast=("loss", "pairs", "worth", "also", "unknown", "measured")),
    "grower": Reader("grower", "My fields", "article", (
        "own.headline", "own.what_to_do", "own_money.money", "own_fields.my_fields",
        "own_fields.side_by_side", "own_money.what_would_change", "conditions.conditions",
        "own.damage", "own.unknown", "own.colophon",
    )),
    "researcher": Reader("researcher", "Analysis", "article", (
        "referee.headline", "referee.contents", "referee.design", "cross_checks.result",
        "referee.left_out", "cross_checks.would_change", "cross_checks.margins", "referee.trust",
        "referee.appendix", "numbers.answer", "data.as_run", "data.quality", "responses.full",
        "responses.scores", "responses.others", "method.estimation", "calibration.calibration",
        "method.methods", "numbers.downloads", "numbers.colophon",
    )),
    "header": Reader(
        "header", "Header check", "header",
        ("header.headline", "header.cautions", "header.headers", "header.limits", "header.record",
         "record.colophon"),
        harvested=False,
    ),
}  # fmt: skip


def field_day(analysis: TrialAnalysis) -> Page:
    """The page for a field day: one headline, three pictures, what to try, the cautions.

    Raises
    ------
    DesignError
        When neither loss nor damage was analysed.
    """
    return _of_loss("field-day", Context(analysis))


def grower(
    analysis: TrialAnalysis, grower: str = "", *, area: float | None = None,
    price: float | None = None, hour_costs: Sequence[float] | None = None,
) -> Page:  # fmt: skip
    """What the trial means on one grower's fields, and what the choice is worth.

    Parameters
    ----------
    analysis : TrialAnalysis
    grower : str
        Name of a grower, or the letter other reports give; "" for the only one.
    area, price, hour_costs
        As in `trialkit.pages.context.Context`.

    Raises
    ------
    DesignError
        When there is no such grower, or neither loss nor damage was analysed.
    """
    context = Context(analysis, grower=grower, area=area, price=price, hour_costs=hour_costs)
    return _of_loss("grower", context)


def researcher(analysis: TrialAnalysis, processes: int = 1) -> Page:
    """Everything a colleague or a referee asks of the analysis.

    Parameters
    ----------
    analysis : TrialAnalysis
    processes : int
        Processes the further questions are shared between; with one, each response's are asked
        when its section is.
    """
    context = Context(analysis, options={"processes": processes})
    return Page(READERS["researcher"].parts, context)


def header(
    trial: Trial, *, loss_ratio: float | None = None, **options: Unpack[HeaderOptions]
) -> Page:
    """The header page: what to repair first, the headers drawn to scale, every row's verdict.

    It works before harvest; `trialkit.load_trial` reads such a trial with ``harvested=False``.

    Parameters
    ----------
    trial : Trial
        With ``header_check``.
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
    context = header_checked.checked(trial, loss_ratio=loss_ratio, **options)
    return Page(READERS["header"].parts, context)


def by_header(page: Page) -> tuple[Page, ...]:
    """A page for each header of a header page, whose parts can be shown one by one."""
    return tuple(Page(header_checked.ONE, one) for one in header_checked.each(page.context))


def _of_loss(reader: str, context: Context) -> Page:
    """A page about loss or damage at the header."""
    if not context.responses:
        reasons = " ".join(context.skipped.values())
        raise DesignError(reasons or "No loss or damage was analysed.")
    return Page(READERS[reader].parts, context)
