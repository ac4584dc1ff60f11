"""What a referee decides on, in two pages: the question, the design, what was left out, and how far
the intervals were tried. The answer itself is in `cross_checks`."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from trialkit.analysis.family import looked_at
from trialkit.display import freedom
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Bullets,
    Element,
    Group,
    Heading,
    Item,
    Link,
    Section,
    Sentence,
    bullets,
    table,
)
from trialkit.pages.parts.calibration import calibrated
from trialkit.pages.parts.responses import told_in_full
from trialkit.pages.quality import causes_told, refused_line
from trialkit.pages.registry import part
from trialkit.pages.wording import findings
from trialkit.quantities import lower_first, upper_first
from trialkit.responses import RESPONSES
from trialkit.responses.fate import told
from trialkit.words import as_run as run_words
from trialkit.words import calibration as calibration_words
from trialkit.words import files as file_words
from trialkit.words import methods as method_words
from trialkit.words import planned as planned_words
from trialkit.words import quality as quality_words
from trialkit.words import referee as words
from trialkit.words import researcher as page_words
from trialkit.words import response as response_words
from trialkit.words import said

CAUSES = 4  # of refused cells


@part()
def headline(page: Context) -> Iterable[Element]:
    """The question, and the answer to it in brief."""
    text, analysis = page.letters.text, page.analysis
    primary = analysis.responses[analysis.primary]
    factors = dict.fromkeys(
        text(f.label) for r in analysis.responses.values() for f in r.design.factors
    )
    aims = [lower_first(analysis.responses[n].title) for n in told_in_full(page)
            if n in analysis.responses]  # fmt: skip
    found = []
    for own in findings(primary, page.config.units):
        size = "; ".join([own.extent, *own.absolute[1:]])
        found.append(text(f"{own.sentence} {size}. {own.told}"))
    told = page_words.how_told(page.percent, primary.title)
    lost = [Sentence(text(sentence)) for sentence in said(analysis.lost)]
    parts: tuple[Element, ...] = (
        Sentence(page_words.kicker(page.config.season), "kicker"),
        Heading(page.letters.dated_title, 1),
        Sentence(page_words.question(list(factors), aims), "extent"),
        *lost,
        bullets(found),
        Sentence(f"{told} {text(' '.join(looked_at(analysis)))}".strip(), "quiet"),
    )
    return (Group("headline", parts, "header"),)


@part()
def contents(page: Context) -> Iterable[Element]:
    """Links to the parts, for the screen."""
    items = [
        ("design", words.design_title()), ("result", words.answer_title()),
        ("left-out", words.left_title()), ("change", words.change_title()),
        ("margins", words.margins_title()), ("trust", words.trust_title()),
        ("appendix", page_words.appendix_title()),
        ("answer", page_words.SECTIONS["answer"]), ("as-run", run_words.title()),
        ("quality", quality_words.title()),
        *((n.replace("_", "-"), _name(page, n)) for n in told_in_full(page)),
        ("scores", page_words.SECTIONS["scores"]), ("others", page_words.SECTIONS["others"]),
        ("estimation", method_words.made_title()), ("calibration", calibration_words.title()),
        ("methods", method_words.paper_title()), ("downloads", file_words.title()),
        ("reproduce", page_words.SECTIONS["reproduce"]),
    ]  # fmt: skip
    known = {n.replace("_", "-") for n in told_in_full(page) if n in page.analysis.responses}
    listed = Bullets(tuple(_entry(key, title, key in known) for key, title in items), "", True)
    heading = Heading(page_words.contents_title(), 2, "contents")
    return (Group("contents screen", (heading, listed), "nav"),)


def _name(page: Context, response: str) -> str:
    known = page.analysis.responses.get(response)
    return RESPONSES[response].title if known is None else known.title


def _entry(key: str, title: str, several: bool) -> Item:
    link = Sentence((Link(title, f"#{key}"),))
    if not several:
        return Item((link,))
    titles = response_words.TITLES | response_words.SHORT
    below = ((Link(told, f"#{key}-{piece}"),) for piece, told in titles.items())
    return Item((link, Bullets(tuple(below), "", True)))


# ---------------------------------------------------------------- design
@part("design", words.design_title())
def design(page: Context) -> Iterable[Element]:
    """Units, replication and degrees of freedom of the primary response."""
    text = page.letters.text
    result = page.analysis.responses[page.analysis.primary]
    layout, unit = result.design, result.by_strip["n"]
    yield Sentence(text(f"{upper_first(layout.kind)}. {layout_told(page)}"))
    rows = []
    for f in layout.factors:
        stratum = layout.strata[f.name]
        labels = dict(zip(f.levels, f.level_labels, strict=True))
        units = layout.strips.drop_duplicates(list(dict.fromkeys([*stratum.keys, f.name])))
        each = units.groupby(f.name, observed=True).size()
        used = result.contrasts.loc[result.contrasts["factor"].eq(f.name), "df"]
        own = list(stratum.within)
        blocks = layout.strips.groupby(own).ngroups if own else 0
        rows.append([
            text(f.label), text(", ".join(labels[v] for v in layout.levels[f.name])),
            stratum.units, _ends(each, 0),
            words.within(blocks, stratum.blocks or "fields") if own else words.whole_trial(),
            str(stratum.df), _ends(used, 1),
        ])  # fmt: skip
    yield table(words.design_caption(lower_first(result.title)), words.DESIGN_HEAD, rows)
    row = result.specification.row
    if row != "strip":
        yield Sentence(words.samples(row, int(unit.min()), int(unit.max())))
    layout_df = [isinstance(judge, float) for judge in result.judges.values()]
    yield Sentence(words.freedom_used(not all(layout_df)))
    yield Sentence(text(f"{result.model.rstrip('.')}."))


def layout_told(page: Context) -> str:
    """Whether a plan shows that setups were drawn by lot."""
    plan = page.plan
    if plan is None:
        return words.lot_not_known()
    strips = plan.strips
    blocks = strips.groupby(["field", "pair"]).ngroups
    return planned_words.laid_out(
        plan.layout, len(strips), blocks, strips["field"].nunique(), plan.seed
    )


def _ends(values: pd.Series, places: int) -> str:
    """Least and largest, once where they are alike."""
    ends = (freedom(float(v), places) for v in (values.min(), values.max()))
    return " to ".join(dict.fromkeys(ends))


# ---------------------------------------------------------------- left out
@part("left-out", words.left_title())
def left_out(page: Context) -> Iterable[Element]:
    """What was refused, left out or not analysed, in few lines."""
    trial, analysis, text = page.trial, page.analysis, page.letters.text
    primary = analysis.responses[analysis.primary]
    used = len(primary.by_strip["strip"].unique())
    causes = causes_told(trial, page.letters)
    items = [refused_line(trial), *(cause.sentence for cause in causes[:CAUSES])]
    if len(causes) > CAUSES:
        items.append(words.more_causes(len(causes) - CAUSES))
    items.append(words.strips_left_out(used, len(trial.strips)))
    by_status = told(trial.strips)
    items += [by_status] if by_status else []
    items += map(text, said(primary.design.notes))
    if analysis.skipped:
        titles = [RESPONSES[n].title for n in analysis.skipped]
        items.append(words.not_looked_at([lower_first(title) for title in titles]))
    if twice := [remark for remark in analysis.warnings if remark != by_status]:
        items.append(words.looked_twice(len(twice)))
    return (bullets(items),)


# ---------------------------------------------------------------- trust, and the appendix
@part("trust", words.trust_title())
def trust(page: Context) -> Iterable[Element]:
    """The limits of calibration in one line."""
    found = calibrated(page.analysis.responses[page.analysis.primary])
    return (Sentence(calibration_words.none_near() if found is None else found.line),)


@part()
def appendix(page: Context) -> Iterable[Element]:
    """Where the appendix begins; on paper a page of its own."""
    return (Section("appendix", page_words.appendix_title(), (Sentence(page_words.appendix()),)),)


