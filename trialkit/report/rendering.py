"""A trial in, one self-contained page out: papermill runs the notebook, nbconvert prints it, and
what its cells showed is set for paper too if asked (`printing`)."""

from __future__ import annotations

import logging
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from html import escape
from itertools import count
from pathlib import Path
from typing import Any, NamedTuple

import nbformat
from nbconvert.exporters.templateexporter import TemplateExporter
from traitlets.config import Config

import trialkit
from trialkit.analysis import analyse
from trialkit.errors import FileExistsRefusal, ReportError
from trialkit.intake import write_all
from trialkit.report.field_day import SHOWN
from trialkit.report.letters import Letters
from trialkit.report.printing import PAPERS, Sheet, compile_pdf
from trialkit.report.resources import notebooks_dir, template_dir
from trialkit.trial import Trial, load_trial

Progress = Callable[[str], None]


class Kind(NamedTuple):
    """A report: its notebook under notebooks/reports, its title, its layout on paper."""

    notebook: str
    title: str
    layout: str


REPORTS = {
    "field-day": Kind("field_day", "Field day", "handout"),
    "grower": Kind("grower", "My fields", "article"),
    "researcher": Kind("researcher", "Analysis", "article"),
}


class Rendered(NamedTuple):
    """The files of a report."""

    html: Path
    pdf: Path | None


# Notebook and kernel talk through files of this user alone, not over the network, where they can.
_KERNEL = Config({"KernelManager": {"transport": "tcp" if os.name == "nt" else "ipc"}})


def render(
    trial: Trial | str | Path,
    out: str | Path | None = None,
    *,
    report: str = "field-day",
    pdf: bool = False,
    parameters: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> Rendered:
    """Write one report of a trial and say where it is.

    Parameters
    ----------
    trial : Trial or path
        A trial that was read from disk, or its folder or workbook.
    out : path, optional
        File or folder to write to; by default the trial's own folder. An existing file is never
        overwritten: the name gets a number.
    report : {"field-day", "grower", "researcher"}
    pdf : bool
        Write the report for paper too, beside the page.
    parameters : mapping, optional
        More for the notebook's cell of parameters, such as ``grower``.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    Rendered
        The files written.

    Raises
    ------
    TrialError, DesignError, ModelError
        When the trial cannot be read or analysed.
    ReportError
        When there is no such report, or its notebook stops; the message names the cell and the
        cause.
    """
    if report not in REPORTS:
        raise ReportError(f"There is no report {report!r}; choose from {', '.join(REPORTS)}.")
    kind = REPORTS[report]
    say = progress or (lambda step: None)
    if not isinstance(trial, Trial):
        say("reading the trial")
        trial = load_trial(trial)
    if trial.source is None:
        raise ReportError("A report needs a trial on disk; write this one to a folder first.")
    # Analysed here before the notebook does: what is wrong with the data is then told in one
    # sentence, and the notebook's process finds the engine compiled.
    hint = "" if engine_is_compiled() else " (compiling the model engine, first use only)"
    analyse(trial, responses=SHOWN, progress=lambda step: say(step + hint))
    say("running the report's notebook")
    path = notebooks_dir() / "reports" / f"{kind.notebook}.ipynb"
    given = {"trial_folder": str(trial.source.resolve()), **(parameters or {})}
    notebook = execute(path, given)
    say("writing the page")
    title = f"{kind.title}: {Letters(trial).text(trial.config.title)}"
    files = {".html": page(notebook, title, kind.notebook).encode()}
    if pdf:
        say("setting the page for paper")
        files[".pdf"] = on_paper(notebook, title, kind.layout, PAPERS[trial.config.units])
    written = write_numbered(target(trial.source, out, kind.notebook), files)
    return Rendered(written[0], written[1] if pdf else None)


def engine_is_compiled() -> bool:
    """Whether compiled loops of the model engine, newer than its source, are kept on disk."""
    engine = Path(trialkit.__file__).parent / "mixed"
    source = max(path.stat().st_mtime for path in engine.glob("*.py"))
    elsewhere = os.environ.get("NUMBA_CACHE_DIR")
    kept = Path(elsewhere).rglob("*.nbi") if elsewhere else engine.glob("__pycache__/*.nbi")
    return any(path.stat().st_mtime >= source for path in kept)


def execute(path: Path, parameters: dict[str, Any]) -> nbformat.NotebookNode:
    """Run a notebook in a folder of its own and return it with its outputs.

    Raises
    ------
    ReportError
        When a cell fails, or no kernel runs; the message names the cell and the cause.
    """
    import papermill
    from jupyter_client.kernelspec import NoSuchKernel
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    logging.getLogger("papermill").setLevel(logging.ERROR)
    source = nbformat.read(path, as_version=4)
    with tempfile.TemporaryDirectory(prefix="trialkit-") as scratch:
        try:
            return papermill.execute_notebook(
                source,
                None,
                parameters=parameters,
                cwd=scratch,
                progress_bar=False,
                execution_timeout=600,
                config=_KERNEL,
                extra_arguments=["--log-level=50"],  # cells report errors, not the kernel's log
            )
        except PapermillExecutionError as error:
            place = next(
                (i for i, cell in enumerate(source.cells, 1) if cell.source == error.source), None
            )
            where = f"cell {place}" if place else "the cell of parameters"
            first = error.source.strip().splitlines()[0] if error.source.strip() else ""
            raise ReportError(
                f"The notebook {path.name} stopped at {where} ({first}): "
                f"{error.ename}: {error.evalue}"
            ) from error
        except (CellTimeoutError, DeadKernelError, NoSuchKernel) as error:
            raise ReportError(f"The notebook {path.name} could not be run: {error}") from error


def shown(notebook: nbformat.NotebookNode) -> Iterator[str]:
    """What the cells of an executed notebook show, as HTML, in order."""
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if output.output_type not in ("execute_result", "display_data"):
                continue
            if "text/html" in output.data:
                yield output.data["text/html"]
            elif "text/plain" in output.data:
                text = escape(output.data["text/plain"])
                yield f'<pre class="scroll" tabindex="0">{text}</pre>'


def page(notebook: nbformat.NotebookNode, title: str, name: str) -> str:
    """An executed notebook as one HTML page that loads nothing from elsewhere."""
    exporter = TemplateExporter(
        template_name="page",
        extra_template_basedirs=[str(template_dir())],
        file_extension=".html",
    )
    resources = {"page_title": title, "page_name": name, "shown": list(shown(notebook))}
    html, _ = exporter.from_notebook_node(notebook, resources=resources)
    return html


def on_paper(notebook: nbformat.NotebookNode, title: str, layout: str, paper: str) -> bytes:
    """An executed notebook as a PDF."""
    sheet = Sheet()
    for html in shown(notebook):
        sheet.add(html)
    return compile_pdf(sheet, layout, title=title, paper=paper)


def target(source: Path, out: str | Path | None, report: str) -> Path:
    """File the report is meant for: `out` if it names one, else `report`.html in a folder."""
    if out is None:
        folder = source if source.is_dir() else source.parent
        return folder / f"{report}.html"
    out = Path(out)
    if out.suffix.lower() in {".html", ".htm"} and not out.is_dir():
        return out
    return out / f"{report}.html"


def write_numbered(path: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files that differ in their suffix to `path`, or to name-2, name-3, ... where one of
    them exists; never overwrite."""
    for n in count(1):
        stem = path if n == 1 else path.with_stem(f"{path.stem}-{n}")
        named = {stem.with_suffix(suffix) if suffix != ".html" else stem: data
                 for suffix, data in files.items()}  # fmt: skip
        try:
            write_all(path.parent, {each.name: data for each, data in named.items()})
            return list(named)
        except FileExistsRefusal:
            if not any(map(os.path.lexists, named)):  # their folder stands in the way
                raise
    raise AssertionError("unreachable")
