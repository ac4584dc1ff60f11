"""All numbers of an analysis as tidy tables, for a spreadsheet or another program.

Unless the growers agreed, fields and growers are letters, strips, pairs and main strips numbers
(`letters`). Text that a spreadsheet would run as a formula stays text.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.analysis.model_rows import StatedModel, model_rows, stated_models
from trialkit.decide.verdict import verdict
from trialkit.display import visible
from trialkit.intake import write_all
from trialkit.intake.causes import group, sheet_of
from trialkit.intake.files import refuse_existing
from trialkit.pages.letters import INITIALS, KINDS, Letters
from trialkit.pages.names import WITHHELD
from trialkit.pages.response.statements import in_glimmix, in_r

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

_FORMULA = re.compile(r"\s*[=+\-@\t\r]")
_WORKBOOK = "analysis.xlsx"
_SECOND = "contrasts_at_same"
_SCRIPTS = ("refit.R", "refit.sas")
# Whatever was analysed.
_ALWAYS = ("models", "model_rows", "verdict", "loss_by_strip", "loss_by_setup", "refused")
_KINDS = ("contrasts", "means", "by_field", "by_strip", "term_tests", "variances")


def tables(analysis: TrialAnalysis) -> dict[str, pd.DataFrame]:
    """Tidy tables by name, SI with bu/ac beside kg/ha.

    Those of `ResponseAnalysis`, each with the columns ``response`` and ``unit`` in front and one
    below the other over responses; ``contrasts_at_same``, those of the second answer
    (`trialkit.analysis.questions.at_same`) with what it is ``adjusted_for``, where there is one;
    ``models`` (the model of every response in words, its notes, or why there is none),
    ``model_rows`` (the rows every model saw, `trialkit.analysis.model_rows`),
    ``verdict`` (what follows for every level, `trialkit.decide.verdict`), ``loss_by_strip``,
    ``loss_by_setup`` and ``refused`` (every refusal, cause by cause, `trialkit.intake.causes`).
    """
    letters = Letters(analysis.trial)
    out: dict[str, pd.DataFrame] = {}
    for kind in _KINDS:
        parts = []
        for name, result in analysis.responses.items():
            table: pd.DataFrame = getattr(result, kind)
            table = table.reset_index(drop=isinstance(table.index, pd.RangeIndex))
            table.insert(0, "response", name)
            table.insert(1, "unit", result.unit)
            parts.append(table)
        out[kind] = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    seconds = [
        second.contrasts.assign(response=name, unit=result.unit, adjusted_for=second.what)
        for name, result in analysis.responses.items()
        if (second := result.at_same) is not None and len(second.contrasts)
    ]
    if seconds:
        table = pd.concat(seconds, ignore_index=True)
        first = ["response", "unit", "adjusted_for"]
        out[_SECOND] = table[[*first, *table.columns.drop(first)]]
    said = [
        {"response": name, "title": r.title, "model": r.model, "fixed_part": r.formula,
         "why": r.why, "notes": " ".join(r.sentences)}
        for name, r in analysis.responses.items()
    ]  # fmt: skip
    said += [{"response": name, "notes": reason} for name, reason in analysis.skipped.items()]
    out["models"] = pd.DataFrame(said)
    out["model_rows"] = model_rows(models(analysis, letters))
    out["verdict"] = verdict(analysis).table
    out["loss_by_strip"] = analysis.losses.strips
    out["loss_by_setup"] = analysis.losses.setups
    out["refused"] = _refused(analysis.trial.refused)
    return {name: nameless(table, letters) for name, table in out.items()}


def models(
    analysis: TrialAnalysis, letters: Letters, names: Iterable[str] = ()
) -> list[StatedModel]:
    """The models of responses (all unless told), their levels as the exported rows have them."""
    used = analysis.used
    return [
        replace(model, factors={
            factor: tuple(_inert(visible(letters.text(level))) for level in levels)
            for factor, levels in model.factors.items()
        })
        for name in names or analysis.responses
        for model in stated_models(analysis.responses[name], used)
    ]  # fmt: skip


def scripts(stated: Sequence[StatedModel]) -> dict[str, bytes]:
    """Files that fit the models again, by name."""
    return dict(zip(_SCRIPTS, (in_r(stated).encode(), in_glimmix(stated).encode()), strict=True))


def _refused(refused: pd.DataFrame) -> pd.DataFrame:
    """Refusals cause by cause; a workbook's own name, which may be a person's, stays out."""
    listed = group(refused).listed
    for column in ("file", "because"):
        listed[column] = [sheet_of(text) for text in listed[column]]
    return listed


def nameless(table: pd.DataFrame, letters: Letters) -> pd.DataFrame:
    """The table with letters for names in every column of text."""
    table = table.reset_index(drop=True)
    numbers = letters.strips(table)[[c for c in KINDS if c in table]] if not letters.agreed else {}
    for column in table.columns:
        if isinstance(table[column].dtype, pd.CategoricalDtype):
            table[column] = table[column].astype(object)
        if pd.api.types.is_numeric_dtype(table[column]):
            continue
        if column == "field":
            table[column] = [letters.fields.get(str(v), letters.text(v)) for v in table[column]]
        elif column in numbers:
            table[column] = numbers[column]
        elif column in INITIALS and not letters.agreed:
            table[column] = [v if pd.isna(v) else WITHHELD for v in table[column]]
        elif column in ("note", "reason"):
            table[column] = [v if pd.isna(v) else letters.user_text(v) for v in table[column]]
        elif column == "value":  # of a refused cell
            own = table.get("column", table[column])
            table[column] = [letters.cell(c, v) for c, v in zip(own, table[column], strict=True)]
        else:
            known = {v: letters.text(v) for v in table[column].dropna().unique()}
            table[column] = [known.get(v, v) for v in table[column]]
    return table


def csv_bytes(table: pd.DataFrame) -> bytes:
    """A table as CSV, UTF-8 with a byte order mark, which spreadsheets ask for."""
    safe = _shown(table)
    for column in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[column]):
            safe[column] = [_inert(v) for v in safe[column]]
    return safe.to_csv(index=False, lineterminator="\r\n").encode("utf-8-sig")


def _inert(value: Any) -> Any:
    """A cell of a CSV that no spreadsheet runs."""
    return f"'{value}" if _FORMULA.match(str(value)) else value


def _shown(table: pd.DataFrame) -> pd.DataFrame:
    """A copy in which no character of a text does anything but stand there."""
    out = table.rename(columns=lambda name: visible(str(name)))
    for column in out.columns:
        if not pd.api.types.is_numeric_dtype(out[column]):
            out[column] = [visible(v) if isinstance(v, str) else v for v in out[column]]
    return out


def workbook_bytes(named: Mapping[str, pd.DataFrame]) -> bytes:
    """Tables as the sheets of one .xlsx."""
    buffer = io.BytesIO()
    with pd.ExcelWriter(buffer, engine="openpyxl") as writer:
        for name, table in named.items():
            table = _shown(table)
            table.to_excel(writer, sheet_name=name[:31], index=False, freeze_panes=(1, 0))
            if not _has_formula(table):
                continue
            for row in writer.sheets[name[:31]].iter_rows():
                for cell in row:
                    if cell.data_type == "f":
                        cell.data_type, cell.quotePrefix = "s", True
    return buffer.getvalue()


def _has_formula(table: pd.DataFrame) -> bool:
    """Whether a spreadsheet would take some text for a formula; looking at every cell is slow."""
    texts = (table[c] for c in table if not pd.api.types.is_numeric_dtype(table[c]))
    return any(str(v).startswith("=") for column in [table.columns, *texts] for v in column)


def free_for_tables(folder: str | Path) -> None:
    """Raises FileExistsRefusal where `write_tables` would, before anything is analysed."""
    names = (*_KINDS, _SECOND, *_ALWAYS)
    refuse_existing(Path(folder), (*(f"{name}.csv" for name in names), _WORKBOOK, *_SCRIPTS))


def write_tables(analysis: TrialAnalysis, folder: str | Path) -> Path:
    """Write all tables as CSV and as one workbook into a folder: all of them, or none.

    Beside them ``refit.R`` and ``refit.sas``, which state every model of ``model_rows.csv``.

    Raises
    ------
    FileExistsRefusal
        When one of the files is there already.
    """
    named = tables(analysis)
    files = {f"{name}.csv": csv_bytes(table) for name, table in named.items()}
    files |= scripts(models(analysis, Letters(analysis.trial)))
    return write_all(folder, files | {_WORKBOOK: workbook_bytes(named)})
