"""A trial in, one self-contained page out: papermill runs the notebook, nbconvert prints it."""

from __future__ import annotations

import logging
import os
import tempfile
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import nbformat
from nbconvert.exporters.templateexporter import TemplateExporter
from traitlets.config import Config

import trialkit
from trialkit.analysis import analyse
from trialkit.errors import FileExistsRefusal, ReportError
from trialkit.intake import write_all
from trialkit.report.field_day import SHOWN
from trialkit.report.letters import Letters
from trialkit.report.resources import notebooks_dir, template_dir
from trialkit.trial import Trial, load_trial

Progress = Callable[[str], None]
REPORTS = {"field_day": "Field day"}
# Notebook and kernel talk through files of this user alone, not over the network, where they can.
_KERNEL = Config({"KernelManager": {"transport": "tcp" if os.name == "nt" else "ipc"}})


def render(
    trial: Trial | str | Path,
    out: str | Path | None = None,
    *,
    report: str = "field_day",
    progress: Progress | None = None,
) -> Path:
    """Write one report of a trial and say where it is.

    Parameters
    ----------
    trial : Trial or path
        A trial that was read from disk, or its folder or workbook.
    out : path, optional
        File or folder to write to; by default the trial's own folder. An existing file is never
        overwritten: the name gets a number.
    report : str
        Name of the notebook under notebooks/reports.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    TrialError, DesignError, ModelError
        When the trial cannot be read or analysed.
    ReportError
        When the notebook stops; the message names the cell and the cause.
    """
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
    path = notebooks_dir() / "reports" / f"{report}.ipynb"
    notebook = execute(path, {"trial_folder": str(trial.source.resolve())})
    say("writing the page")
    title = f"{REPORTS.get(report, report)}: {Letters(trial).text(trial.config.title)}"
    return write_numbered(target(trial.source, out, report), page(notebook, title))


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


def page(notebook: nbformat.NotebookNode, title: str) -> str:
    """An executed notebook as one HTML page that loads nothing from elsewhere."""
    exporter = TemplateExporter(
        template_name="page",
        extra_template_basedirs=[str(template_dir())],
        file_extension=".html",
    )
    html, _ = exporter.from_notebook_node(notebook, resources={"page_title": title})
    return html


def target(source: Path, out: str | Path | None, report: str) -> Path:
    """File the report is meant for: `out` if it names one, else `report`.html in a folder."""
    if out is None:
        folder = source if source.is_dir() else source.parent
        return folder / f"{report}.html"
    out = Path(out)
    if out.suffix.lower() in {".html", ".htm"} and not out.is_dir():
        return out
    return out / f"{report}.html"


def write_numbered(path: Path, text: str) -> Path:
    """Write `text` to `path`, or to name-2, name-3, ... where that exists; never overwrite."""
    for n in count(1):
        candidate = path if n == 1 else path.with_stem(f"{path.stem}-{n}")
        try:
            write_all(path.parent, {candidate.name: text.encode()})
            return candidate
        except FileExistsRefusal:
            if not os.path.lexists(candidate):  # not the file but its folder stands in the way
                raise
    raise AssertionError("unreachable")
