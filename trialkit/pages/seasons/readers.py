"""Pages over many trials, by reader, and the comparisons that they are made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError, ModelError
from trialkit.many import compare
from trialkit.pages.page import Page
from trialkit.pages.readers import Reader
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.words import seasons as words

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared

READERS = {
    "field-day": Reader("seasons_field_day", words.PAGES["field-day"], "article", (
        "seasons.head.headline", "seasons.fields.by_field", "seasons.worth.worth",
        "seasons.fields.next_field", "seasons.fields.side_by_side", "seasons.differs.differs",
        "seasons.head.also", "seasons.fields.places", "seasons.differs.used",
        "seasons.head.unknown", "record.cautions", "seasons.head.colophon",
    ), styles=("grower", "seasons")),
    "grower": Reader("seasons_grower", words.PAGES["grower"], "article", (
        "seasons.head.own_headline", "seasons.head.what_to_do", "seasons.fields.by_field",
        "seasons.worth.own_worth", "seasons.fields.next_field", "seasons.fields.side_by_side",
        "seasons.differs.differs", "seasons.head.also", "seasons.fields.places",
        "seasons.differs.used", "seasons.head.unknown", "seasons.head.colophon",
    ), styles=("grower", "seasons")),
    "researcher": Reader("seasons_researcher", words.PAGES["researcher"], "article", (
        "seasons.method.question", "seasons.method.answer", "seasons.fields.by_field",
        "seasons.fields.every_field", "seasons.fields.next_field", "seasons.differs.used_by",
        "seasons.method.trials", "seasons.differs.explained", "seasons.fields.side_by_side",
        "seasons.worth.worth", "seasons.method.model", "seasons.fields.places",
        "seasons.head.unknown", "seasons.method.downloads", "seasons.method.reproduce",
        "seasons.head.colophon",
    ), styles=("researcher", "seasons")),
}  # fmt: skip
FIRST = "header_loss"
ALSO = ("kernel_damage", "dropped_ears", "residue_mass", "yield")
"""What is compared beside it where it was measured."""


def comparisons_of(
    source: Any, *, factors: Sequence[str] | None = None, aliases: Mapping[str, str] | None = None,
    level: float = 0.95, progress: Callable[[str], None] | None = None,
    ready: Callable[[TrialsCompared], object] | None = None, **how: Any,
) -> tuple[dict[str, TrialsCompared], dict[str, str]]:  # fmt: skip
    """A comparison for every response a page speaks of, header loss first.

    Parameters
    ----------
    source, factors, aliases, level, progress, **how
        As `trialkit.many.compare`; all by the factors of the first.
    ready : callable, optional
        Given the first comparison before others are made, to refuse what cannot be shown.

    Returns
    -------
    compared : dict of str to TrialsCompared
    skipped : dict of str to str
        Why other responses are not among them.

    Raises
    ------
    DesignError
        When no response can be compared; with the reasons of header loss.
    """
    tell = progress or (lambda text: None)
    compared: dict[str, TrialsCompared] = {}
    skipped: dict[str, str] = {}
    first: DesignError | ModelError | None = None
    for response in (FIRST, *ALSO):
        title = SPECIFICATIONS[response].title.lower()
        tell(words.COMPARING.format(title=title))
        chosen = list(next(iter(compared.values())).factors) if compared else factors
        try:
            compared[response] = compare(
                source, response=response, factors=chosen, aliases=aliases, level=level, **how
            )
        except (DesignError, ModelError) as error:
            first = first or error
            skipped[response] = str(error)
            continue
        if ready is not None and len(compared) == 1:
            ready(compared[response])
    if not compared:
        assert first is not None
        raise first
    return compared, skipped


def page_of(
    reader: str, compared: Mapping[str, TrialsCompared], skipped: Mapping[str, str] | None = None,
    *, grower: str = "", area: float | None = None, price: float | None = None,
) -> Page:  # fmt: skip
    """A page over many trials.

    Parameters
    ----------
    reader : {"field-day", "grower", "researcher"}
    compared, skipped
        As `comparisons_of` gives them.
    grower : str
        On a grower's page whose it is: name or letter; "" for the only one.
    area, price : float, optional
        As `trialkit.pages.seasons.context.SeasonsContext`.

    Raises
    ------
    DesignError
        When there is no such grower, or several and none is named.
    """
    whose = grower if reader == "grower" else None
    context = SeasonsContext(compared, skipped, grower=whose, area=area, price=price)
    return Page(READERS[reader].parts, context)


def over_seasons(
    folders: str | Path | Sequence[str | Path], reader: str = "field-day", *, grower: str = "",
    factors: Sequence[str] | None = None, aliases: Mapping[str, str] | None = None,
    level: float = 0.95, area: float | None = None, price: float | None = None,
    progress: Callable[[str], None] | None = None,
) -> Page:  # fmt: skip
    """Read, compare and show every trial below one or several folders, for a reader.

    Parameters
    ----------
    folders : path or sequence of path
    reader, grower, area, price
        As `page_of`.
    factors, aliases, level, progress
        As `trialkit.compare`.
    """
    found = comparisons_of(folders, factors=factors, aliases=aliases, level=level,
                           progress=progress)  # fmt: skip
    return page_of(reader, *found, grower=grower, area=area, price=price)
