"""A trial in, one self-contained page out: papermill runs the notebook, nbconvert prints it, and
what its cells showed is set for paper too if asked (`printing`)."""

from __future__ import annotations

import logging
import math
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from trialkit import errors
from trialkit.display import escape, printable
from trialkit.ending import held, temporary
from trialkit.errors import ReportError
from trialkit.intake.files import write_numbered
from trialkit.pages.columns import in_columns
from trialkit.pages.elements import MEDIA, Element, Html, from_json
from trialkit.pages.glosses import explained
from trialkit.pages.helpers import ONE_THREAD
from trialkit.pages.html import html
from trialkit.pages.own import OwnLetters, letters_of
from trialkit.pages.paper import add
from trialkit.pages.printing import PAPERS, Sheet, compile_pdf
from trialkit.pages.readers import READERS, Reader
from trialkit.pages.resources import notebooks_dir, template_dir
from trialkit.trial import Trial, load_trial
from trialkit.words import pages as words

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager
    from nbformat import NotebookNode

Progress = Callable[[str], None]


class Rendered(NamedTuple):
    """The files of a report."""

    html: Path
    pdf: Path | None

    def _repr_html_(self) -> str:
        return written_html(zip(self, ("page", "for paper"), strict=True))


def written_html(files: Iterable[tuple[Path | None, str]]) -> str:
    """Links to files that were written, each with what it is, and their sizes."""
    there = [(path.resolve(), words) for path, words in files if path and path.exists()]
    links = "".join(
        f'<li><a href="{escape(path.as_uri())}">{escape(path.name)}</a> '
        f"({escape(words)}, {path.stat().st_size / 1e6:.1f} MB)</li>"
        for path, words in there
    )
    folder = escape(str(there[0][0].parent)) if there else ""
    return f"<div><p>Written to {folder}:</p><ul>{links}</ul></div>"


LETTERING = {"article": 9.5, "header": 9.5}
"""Points that pictures' own lettering is set in at most, by layout: that of the text round them."""

_LONGEST_SOCKET = 90  # letters; systems refuse names of local sockets beyond 104 to 108
# Without a home folder to write to IPython takes a temporary one, which it need not tell.
_QUIET = {"PYTHONWARNINGS": "ignore:IPython parent"}
# What the kernel imports while the trial is read and the machinery that runs notebooks loaded here.
_IMPORTS = (
    "trialkit.trial", "trialkit.analysis", "trialkit.decide", "trialkit.plots",
    "trialkit.pages.readers",
)  # fmt: skip


def render(
    trial: Trial | str | Path,
    out: str | Path | None = None,
    *,
    report: str = "field-day",
    pdf: bool = False,
    parameters: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
    remark: Progress | None = None,
) -> Rendered:
    """Write one report of a trial and say where it is.

    Parameters
    ----------
    trial : Trial or path
        A trial that was read from disk, or its folder or workbook.
    out : path, optional
        File or folder to write to; by default the trial's own folder. An existing file is never
        overwritten: the name gets a number.
    report : {"field-day", "grower", "researcher", "header"}
    pdf : bool
        Write the report for paper too, beside the page.
    parameters : mapping, optional
        More for the notebook's cell of parameters, such as ``grower``.
    progress : callable, optional
        Called with a few words before each step.
    remark : callable, optional
        Told in sentences of names that cannot be struck everywhere, and of a title that was
        replaced.

    Returns
    -------
    Rendered
        The files written.

    Raises
    ------
    TrialError, DesignError, ModelError
        When the trial cannot be read or analysed.
    ReportError
        When there is no such report, or its notebook stops for another reason; the message names
        the cell and the cause.
    """
    if report not in READERS:
        raise ReportError(f"There is no report {report!r}; choose from {', '.join(READERS)}.")
    kind = READERS[report]
    say, remark = progress or (lambda step: None), remark or (lambda line: None)
    path = notebooks_dir() / "reports" / f"{kind.notebook}.ipynb"
    with kernel() as started:
        if not isinstance(trial, Trial):
            say("reading the trial")
            trial = load_trial(trial, harvested=kind.harvested)
        if trial.source is None:
            raise ReportError("A report needs a trial on disk; write this one to a folder first.")
        letters = letters_of(trial, report, parameters or {})
        for line in letters.remarks:
            remark(line)
        _load_machinery()  # while the kernel loads what its notebook needs
        compiled = not kind.harvested or engine_is_compiled()
        hint = "" if compiled else words.compiling()
        given = {"trial_folder": str(trial.source.resolve()), **(parameters or {})}
        if isinstance(letters, OwnLetters):
            given["grower"] = letters.grower
        notebook = execute(path, given, started, lambda step: say(step + hint))
    say("writing the page")
    title = letters.page_title(kind.title)
    files = {".html": page(notebook, title, kind).encode()}
    if pdf:
        say(words.setting())
        files[".pdf"] = on_paper(notebook, title, kind.layout, PAPERS[trial.config.units])
    written = write_numbered(target(trial.source, out, kind.notebook), files)
    return Rendered(written[0], written[1] if pdf else None)


def engine_is_compiled() -> bool:
    """Whether compiled loops of the model engine, newer than its source, are kept on disk."""
    engine = Path(errors.__file__).parent / "mixed"
    source = max(path.stat().st_mtime for path in engine.glob("*.py"))
    elsewhere = os.environ.get("NUMBA_CACHE_DIR")
    kept = Path(elsewhere).rglob("*.nbi") if elsewhere else engine.glob("__pycache__/*.nbi")
    return any(path.stat().st_mtime >= source for path in kept)


@contextmanager
def kernel() -> Iterator[AsyncKernelManager]:
    """A kernel for one notebook in a folder of its own, importing what reports need meanwhile.

    Raises
    ------
    ReportError
        When no kernel can be started.
    """
    from jupyter_client.kernelspec import NoSuchKernel
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_core.utils import run_sync

    tied = f"__import__('trialkit.ending').ending.end_with_parent({os.getpid()}, at_once=True)"
    imports = [tied, *(f"__import__({name!r})" for name in _IMPORTS)]
    with ExitStack() as stack:
        scratch = stack.enter_context(temporary())
        own = {"TMPDIR": str(scratch), "TEMP": str(scratch), "TMP": str(scratch)}
        manager = AsyncKernelManager(
            kernel_name="python3", connection_file=str(scratch / "kernel.json")
        )
        socket = str(scratch / "kernel")
        if os.name != "nt" and len(socket) <= _LONGEST_SOCKET:
            # We and the kernel talk through files of this user alone, not over the network.
            manager.transport, manager.ip = "ipc", socket
        try:
            with held():  # a kernel that was started is ended too
                run_sync(manager.start_kernel)(
                    cwd=str(scratch),
                    env=ONE_THREAD | _QUIET | os.environ | own,
                    # Cells report errors, not the kernel's log.
                    extra_arguments=["--log-level=50", f"--IPKernelApp.exec_lines={imports}"],
                )
                stack.callback(run_sync(manager.shutdown_kernel), now=True)
        except (NoSuchKernel, OSError) as error:
            raise ReportError(f"No notebook can be run here: {error}") from error
        yield manager


def execute(
    path: Path,
    parameters: dict[str, Any],
    started: AsyncKernelManager | None = None,
    progress: Progress | None = None,
) -> NotebookNode:
    """Run a notebook and return it with its outputs.

    Parameters
    ----------
    path : Path
    parameters : dict
        For the notebook's cell of parameters.
    started : AsyncKernelManager, optional
        The kernel to run it in; by default a new one.
    progress : callable, optional
        Called before each cell of code with what it makes.

    Raises
    ------
    TrialkitError
        What a cell raised of these, with its own sentence.
    ReportError
        When a cell fails otherwise, or no kernel runs; the message names the cell and the cause.
    """
    if started is None:
        with kernel() as own:
            return execute(path, parameters, own, progress)
    _load_machinery()
    import nbformat
    import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    logging.getLogger("papermill").setLevel(logging.CRITICAL)  # what fails is raised as well
    source = nbformat.read(path, as_version=4)

    def told(cell: NotebookNode, cell_index: int) -> None:
        if progress is not None and cell.cell_type == "code":
            progress(making(cell.source))

    try:
        return papermill.execute_notebook(
            source,
            None,
            parameters=parameters,
            progress_bar=False,
            execution_timeout=600,
            km=started,
            on_cell_start=told,
        )
    except PapermillExecutionError as error:
        known = getattr(errors, error.ename, None)
        if isinstance(known, type) and issubclass(known, errors.TrialkitError):
            raise known(error.evalue) from error
        cells = enumerate(source.cells, 1)
        where = next((place(i, cell) for i, cell in cells if cell.source == error.source), None)
        raise ReportError(
            f"The notebook {path.name} stopped at {where or 'the cell of parameters'}: "
            f"{error.ename}: {error.evalue}"
        ) from error
    except (CellTimeoutError, DeadKernelError, RuntimeError) as error:
        raise ReportError(f"The notebook {path.name} could not be run: {error}") from error


def _load_machinery() -> None:
    """Import what runs notebooks and prints them, without a grammar that takes seconds to build.

    jsonschema takes it up for addresses in any script where it is installed; the schema of
    notebooks holds none.
    """
    grammar = "rfc3987_syntax"
    spared = grammar not in sys.modules
    if spared:
        sys.modules[grammar] = None  # type: ignore[assignment]
    try:
        import nbconvert.exporters.templateexporter  # noqa: F401
        import papermill  # noqa: F401
    finally:
        if spared:
            del sys.modules[grammar]


def making(source: str) -> str:
    """What a report's cell makes, in words: a part of the page, or what it needs first."""
    part = re.fullmatch(r"page\.(\w+)\(.*\)", source.strip())
    return words.writing(part[1].replace("_", " ")) if part else words.running()


def place(number: int, cell: NotebookNode) -> str:
    """What a message calls a cell: its number in the notebook and its first line."""
    first = cell.source.strip().splitlines()[0] if cell.source.strip() else ""
    return f"cell {number} ({first})"


def shown(notebook: NotebookNode) -> list[tuple[str, tuple[Element, ...]]]:
    """What the cells of an executed notebook show, in order, each with its place."""
    # The cell in which papermill puts the parameters is not in the notebook that a user sees.
    own = [c for c in notebook.cells if "injected-parameters" not in c.metadata.get("tags", [])]
    pieces = [
        (place(number, cell), _elements(output.data, number))
        for number, cell in enumerate(own, 1) for output in cell.get("outputs", [])
        if output.output_type in ("execute_result", "display_data")
    ]  # fmt: skip
    told = explained(found for _, found in pieces)
    return [(where, found) for (where, _), found in zip(pieces, told, strict=True)]


def _elements(data: Mapping[str, Any], number: int) -> tuple[Element, ...]:
    """One output as elements: a part's own, or the HTML of what a user's cell showed."""
    if MEDIA in data:
        found: tuple[Element, ...] = from_json(data[MEDIA])
        return found
    return (Html(fractions_whole(as_html(data, number))),)


def fractions_whole(html: str) -> str:
    """A piece of a page whose "1-1/8 in" no line breaks; code, scripts and pictures as they are."""
    passed = r"(<(code|option|pre|script|style|svg)\b.*?</\2>|<[^>]*>)"
    hyphen = "\N{NON-BREAKING HYPHEN}"
    return re.sub(rf"{passed}|(?<=\d)-(?=\d+/\d)", lambda m: m[1] or hyphen, html, flags=re.DOTALL)


def as_html(data: Mapping[str, Any], number: int) -> str:
    """One output as HTML: the richest form it has; what a user's own cell shows is put in a
    figure, or in a box that scrolls."""
    if "text/html" in data:
        text = str(data["text/html"])
        if 'class="dataframe"' not in text:
            return text
        table = re.sub(r"<style.*?</style>", "", text, flags=re.DOTALL)
        table = table.replace('<table border="1" class="dataframe">', '<table class="dataframe">')
        return (
            '<div class="scroll" role="region" tabindex="0" '
            f'aria-label="Table of cell {number}">{table}</div>'
        )
    for kind in ("image/png", "image/jpeg"):
        if kind in data:
            encoded = "".join(data[kind].split())
            picture = f'<img src="data:{kind};base64,{encoded}" alt="Picture of cell {number}">'
            return f"<figure>{picture}</figure>"
    text = escape(data.get("text/plain", ""))
    return (
        '<pre class="scroll" role="region" tabindex="0" '
        f'aria-label="Output of cell {number}">{text}</pre>'
    )


def page(notebook: NotebookNode, title: str, kind: Reader) -> str:
    """An executed notebook as one HTML page that loads nothing from elsewhere."""
    from nbconvert.exporters.templateexporter import TemplateExporter

    exporter = TemplateExporter(
        template_name="page",
        extra_template_basedirs=[str(template_dir())],
        file_extension=".html",
    )
    pieces = in_columns([found for _, found in shown(notebook)], kind.abreast)
    resources = {
        "page_title": title, "page_names": (*kind.styles, kind.notebook),
        "shown": list(map(html, pieces)),
    }  # fmt: skip
    text, _ = exporter.from_notebook_node(notebook, resources=resources)
    return printable(text)


def on_paper(notebook: NotebookNode, title: str, layout: str, paper: str) -> bytes:
    """An executed notebook as a PDF.

    Raises
    ------
    ReportError
        When something cannot be set; the message names the cell and the cause.
    """
    pieces = shown(notebook)
    try:
        sheet = Sheet(lettering=LETTERING.get(layout, math.inf))
        for _, found in pieces:
            add(sheet, found)
        return compile_pdf(sheet, layout, title=title, paper=paper)
    except ReportError:
        for where, found in pieces:  # which one is it?
            try:
                alone = Sheet()
                add(alone, found)
                compile_pdf(alone, "article", title=title, paper=paper)
            except ReportError as cause:
                raise ReportError(f"What {where} shows: {cause}") from cause
        raise


def target(source: Path, out: str | Path | None, report: str) -> Path:
    """File the report is meant for: `out` if it names one, else `report`.html in a folder."""
    if out is None:
        folder = source if source.is_dir() else source.parent
        return folder / f"{report}.html"
    out = Path(out)
    if out.suffix.lower() in {".html", ".htm"} and not out.is_dir():
        return out
    return out / f"{report}.html"
