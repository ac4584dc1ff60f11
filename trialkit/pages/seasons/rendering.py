"""Many trials in, one self-contained page out: parts are shown here, without a notebook's process.

What a notebook's cells would have shown is put into one in memory, so that `rendering` writes page
and paper of a single trial and of many alike.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.errors import ReportError, TrialError
from trialkit.intake.files import write_numbered
from trialkit.many.sources import TrialPath, source_of
from trialkit.pages.compared import for_terminal
from trialkit.pages.page import Page
from trialkit.pages.printing import PAPERS
from trialkit.pages.rendering import Rendered, on_paper, page, target
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.pages.seasons.letters import SeasonsLetters
from trialkit.pages.seasons.readers import READERS, comparisons_of, page_of
from trialkit.words import pages as words
from trialkit.words import seasons as said

if TYPE_CHECKING:
    from nbformat import NotebookNode

MADE = """from trialkit.pages import over_seasons

page = over_seasons(["trials"], {reader!r})"""
"""How the page is made in Python; the folder stands for the user's own, which it does not name."""


def render_seasons(
    folders: Sequence[str | Path], out: str | Path | None = None, *, report: str = "field-day",
    pdf: bool = False, grower: str = "", progress: Callable[[str], None] | None = None,
    remark: Callable[[str], None] | None = None, source: Any = None, **how: Any,
) -> Rendered:  # fmt: skip
    """Write one page over all trials below some folders and say where it is.

    Parameters
    ----------
    folders : sequence of path
        The page goes to the first of them unless `out` says otherwise.
    out : path, optional
        File or folder to write to. An existing file is never overwritten: the name gets a number.
    report : {"field-day", "grower", "researcher"}
    pdf : bool
        Write it for paper too, beside the page.
    grower : str
        Whose a grower's page is.
    progress, remark : callable, optional
        As `trialkit.pages.render`; trials left out are told to `remark` by their own names.
    source : optional
        What `trialkit.many.compare` reads in place of the folders.
    **how
        ``factors, aliases, level, area, price`` as `readers.over_seasons`, and more for `compare`.

    Returns
    -------
    Rendered
        The files written.

    Raises
    ------
    TrialError, DesignError, ModelError
        When there are no trials, or they cannot be compared.
    ReportError
        When there is no such report.
    """
    if report not in READERS:
        raise ReportError(f"There is no report {report!r}; choose from {', '.join(READERS)}.")
    say, tell = progress or (lambda step: None), remark or (lambda line: None)
    kind = READERS[report]
    own = {name: how.pop(name) for name in ("area", "price") if name in how}
    wanted = list(folders) if len(folders) > 1 else folders[0]
    whose = grower if report == "grower" else None
    compared, skipped = comparisons_of(
        wanted if source is None else source, progress=say,
        ready=lambda first: SeasonsLetters(first, whose), **how,
    )  # fmt: skip
    made = page_of(report, compared, skipped, grower=grower, **own)
    context = made.context
    assert isinstance(context, SeasonsContext)
    for line in (*context.letters.remarks, *for_terminal(context.primary)):
        tell(line)
    say(said.WRITING)
    notebook = as_notebook(made, MADE.format(reader=report))
    title = context.letters.page_title(kind.title)
    files = {".html": page(notebook, title, kind).encode()}
    if pdf:
        say(words.setting())
        files[".pdf"] = on_paper(notebook, title, kind.layout, PAPERS[context.system])
    written = write_numbered(target(Path(folders[0]), out, kind.notebook), files)
    return Rendered(written[0], written[1] if pdf else None)


def one_trial(folders: Sequence[str | Path]) -> Path | None:
    """The only trial that some folders are or hold, for a report of its own; None where there are
    several. What holds none is handed back, for its reading to say so."""
    paths = [Path(folder) for folder in folders]
    if len(paths) == 1:
        only = paths[0]
        here = {p.name.casefold() for p in only.iterdir()} if only.is_dir() else set()
        if not only.is_dir() or here & {"trial.toml", "strips.csv"}:
            return only
    try:
        parts = source_of(paths[0] if len(paths) == 1 else paths).parts()
    except TrialError:
        if len(paths) > 1:
            raise
        return paths[0]
    first = parts[0]
    return first.path if len(parts) == 1 and isinstance(first, TrialPath) else None


def as_notebook(made: Page, code: str) -> NotebookNode:
    """A page as the notebook that shows it, run: a cell for every part."""
    from nbformat.v4 import new_code_cell, new_notebook, new_output

    cells = [new_code_cell(code)]
    for name in made.parts:
        shown = made[name]
        output = new_output("display_data", data=shown._repr_mimebundle_())
        cells.append(new_code_cell(f"page.{name}()", outputs=[output]))
    return new_notebook(cells=cells)
