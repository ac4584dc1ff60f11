"""The data of a trial: its design as run, and what was refused, is missing or was looked at."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit import plots
from trialkit.pages.context import Context
from trialkit.pages.elements import Element, Heading, Sentence, bullets, figure
from trialkit.pages.notes import field_notes
from trialkit.pages.quality import how_read, refused_cells
from trialkit.pages.registry import part
from trialkit.pages.run.as_run import AsRun
from trialkit.pages.run.left_out import left_out_by_setup
from trialkit.pages.run.planned import planned_against_run
from trialkit.quantities import upper_first
from trialkit.responses.fate import REMARKS
from trialkit.words import as_run as run_words
from trialkit.words import fates as fate_words
from trialkit.words import quality as words

# Columns that need not be filled in.
_REMARKS = frozenset({*REMARKS, "measured_by", "measured_at"})


@part("as-run", run_words.title())
def as_run(page: Context) -> Iterable[Element]:
    """The strips as run, what departs from what was meant, and from the plan where there is one."""
    trial, letters = page.trial, page.letters
    run = AsRun(trial, letters)
    design = next(iter(page.analysis.responses.values()))
    yield Sentence(letters.text(f"{upper_first(design.design.kind)}."))
    yield Sentence(letters.text(design.why))
    strips = trial.strips  # their own names join them to the frames and are not drawn
    pairs = letters.numbered("pair", strips["pair"], strips["field"])
    drawn = trial.with_tables(strips=strips.assign(pair=pairs))
    plot = plots.strip_map(drawn, field_names=letters.fields)
    for attribute in ("alt_text", "summary"):
        setattr(plot, attribute, letters.text(getattr(plot, attribute)))
    yield figure(plot, run_words.boxes(plot.summary))
    yield Heading(run_words.meant_title(), 3)
    yield run.departures()
    yield from left_out_by_setup(trial, letters)
    yield run.setups()
    yield run.frames()
    yield run.fields()
    yield from planned_against_run(page.analysis, letters)


@part("quality", words.title())
def quality(page: Context) -> Iterable[Element]:
    """Refusals, missing values, counts far from the others, and notes from the field."""
    missing = []
    for name, own in page.trial.tables.items():
        share = own.isna().sum()
        gaps = [(str(column), int(n)) for column, n in share.items()
                if 0 < n < len(own) and column not in _REMARKS]  # fmt: skip
        if gaps:
            missing.append(words.gaps(name, len(own), gaps))
    looked = [page.letters.text(t) for t in page.analysis.warnings]
    yield Heading(words.refused_title(), 3)
    yield from refused_cells(page.trial, page.letters)[1:]
    yield from how_read(page.trial, page.letters)
    yield Heading(words.missing_title(), 3)
    yield bullets(missing) if missing else Sentence(words.no_gaps())
    yield Heading(words.looked_title(), 3)
    yield bullets(looked) if looked else Sentence(words.nothing_far())
    yield Heading(fate_words.notes_title(), 3)
    yield from field_notes(page.trial, page.letters)
