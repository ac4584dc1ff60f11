"""Paper for the field: what a crew, an operator and whoever takes samples write on.

One PDF of sheets to be printed on both sides and one of labels. The boxes of every sheet are the
columns of the intake tables, under the same names and in the same order, each on one sheet alone.

By default the count cards are blind: they do not say which setup a strip has. What lies in a frame
is partly a judgement (what counts as a kernel, how long leaves are turned over), and who counts
need not know; who drives does. Setups, the order they are set in and readings from the cab, which
may tell them, stand on the operator's sheet and the map.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from trialkit.display import printable
from trialkit.errors import ReportError
from trialkit.intake.files import write_numbered
from trialkit.pages.field_paper.content import Files, content
from trialkit.pages.field_paper.labels import LabelGrid, code, label_data
from trialkit.pages.field_paper.source import FieldTrial, field_trial, folder_for
from trialkit.pages.printing import PAPERS, typeset
from trialkit.pages.rendering import written_html
from trialkit.words import ENGLISH
from trialkit.words.commands import both_sides, setting_sheets

if TYPE_CHECKING:
    from trialkit.simulate import Effort
    from trialkit.trial import Trial

__all__ = ["SHEETS", "FieldPaper", "LabelGrid", "cards"]

SHEETS = ("crew", "cards", "run", "map", "header", "labels")
NAME = "field_paper"


class FieldPaper(NamedTuple):
    """The files written; None for what was not asked for."""

    sheets: Path | None
    labels: Path | None

    def _repr_html_(self) -> str:
        return written_html(zip(self, (both_sides(), "labels"), strict=True))


def cards(
    trial: Trial | str | Path,
    out: str | Path | None = None,
    *,
    sheets: Sequence[str] = SHEETS,
    paper: str | None = None,
    blind: bool = True,
    effort: Effort | None = None,
    grid: LabelGrid | None = None,
    language: str = ENGLISH,
    progress: Callable[[str], None] | None = None,
) -> FieldPaper:
    """Write the paper for the field of a trial that is planned, or has a strips table.

    Parameters
    ----------
    trial : Trial or path
        A folder needs no counts yet. With a ``plan.json`` the sheets follow its order of work,
        and there is a map.
    out : path, optional
        Folder to write to; by default the trial's own. An existing file is never overwritten: the
        name gets a number.
    sheets : sequence of {"crew", "cards", "run", "map", "header", "labels"}
        The crew's page with cautions, a count card per strip (front: on the ground; back: samples
        and readings), the operator's sheet, the map of the passes, the check sheet of the header;
        in that order, each to be printed on both sides. Labels for samples are a file of their own.
    paper : {"a4", "us-letter"}, optional
        By default A4 for a trial in SI units, US letter for one in US units.
    blind : bool
        Whether count cards and the crew's page leave out which setup a strip has.
    effort : Effort, optional
        What is to be counted on each strip; by default what the plan says, else what the trial's
        tables hold, else the usual.
    grid : LabelGrid, optional
        How labels lie on their sheet.
    language : str
        What is printed is said in it, as far as `trialkit.words` has it.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    FieldPaper

    Raises
    ------
    TrialError
        When the trial or its plan cannot be read.
    ReportError
        For a sheet, a paper or a language there is none of, a trial without strips, or a grid of
        labels that does not fit.
    """
    say = progress or (lambda step: None)
    wanted = _wanted(sheets)
    say("reading the trial")
    found = field_trial(trial, effort, language)
    size = PAPERS[found.config.units] if paper is None else paper
    if size not in PAPERS.values():
        raise ReportError(f"There is no paper {size!r}; choose from {', '.join(PAPERS.values())}.")
    folder = folder_for(found, out)
    made: dict[str, bytes] = {}
    say("writing the sheets")
    data, files = content(found, wanted, size, blind)
    if data["sheets"]:
        say(setting_sheets())
        made["sheets"] = typeset(*source("paper-for-the-field", data, files))
    if "labels" in wanted:
        say("setting the labels")
        made["labels"] = typeset(*labels_source(found, grid or LabelGrid(), size))
    if not made:
        raise ReportError(
            f"Nothing to print: {', '.join(wanted)} needs a plan, and {found.folder} has no "
            "plan.json."
        )
    ends = {".pdf" if part == "sheets" else f"_{part}.pdf": pdf for part, pdf in made.items()}
    written = dict(zip(made, write_numbered(folder / f"{NAME}.pdf", ends), strict=True))
    return FieldPaper(written.get("sheets"), written.get("labels"))


def labels_source(trial: FieldTrial, grid: LabelGrid, paper: str) -> tuple[str, Files]:
    """Source of the labels and the files it reads."""
    files = Files()
    data = label_data(trial, grid, paper)
    if not data["labels"]:
        raise ReportError("No grain sample and no residue reading is to be taken: no labels.")
    strips = {strip: n for n, strip in enumerate(dict.fromkeys(e["strip"] for e in data["labels"]))}
    fields = dict(zip(map(str, trial.strips["strip"]), map(str, trial.strips["field"]),
                      strict=True))  # fmt: skip
    for entry in data["labels"]:
        strip = entry["strip"]
        entry["code"] = files.keep(f"code-{strips[strip]}.svg", code(strip))
        entry["place"] = f"{fields[strip]}, {trial.config.season}"
    data = {
        "name": trial.say("cards.labels", f"{trial.config.title} ({trial.config.season})"),
        "paper": paper, "labels": data, "words": trial.say("cards.template"),
        "language": trial.language,
    }  # fmt: skip
    return source("labels", data, files)


def source(part: str, data: dict[str, Any], files: Files) -> tuple[str, Files]:
    """Typst source that sets `part` of the template from data; all text is in the data."""
    text = json.dumps(_clean(data), ensure_ascii=False)
    made = Files(files)
    made["data.json"] = text.encode("utf-8")
    return f'#import "cards.typ": {part}\n#{part}(json("data.json"))\n', made


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return " ".join(printable(value).split())
    if isinstance(value, dict):
        return {key: _clean(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(each) for each in value]
    return value


def _wanted(sheets: Sequence[str]) -> tuple[str, ...]:
    asked = (sheets,) if isinstance(sheets, str) else tuple(sheets)
    if unknown := [name for name in asked if name not in SHEETS]:
        raise ReportError(f"There is no sheet {unknown[0]!r}; choose from {', '.join(SHEETS)}.")
    if not asked:
        raise ReportError(f"No sheet was asked for; choose from {', '.join(SHEETS)}.")
    return tuple(name for name in SHEETS if name in asked)
