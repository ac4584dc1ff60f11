"""Writing a trial folder: tables as CSV in the declared units, settings as trial.toml."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.errors import TrialError, TrialkitError
from trialkit.intake.config import ModelConfig, OptionCost, SetupFactor, TrialConfig
from trialkit.intake.files import write_all
from trialkit.intake.level_names import labels_of, usual_unit
from trialkit.responses import schema
from trialkit.words.settings import remark

_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


def write_trial(
    folder: str | Path,
    config: TrialConfig,
    tables: Mapping[str, pd.DataFrame],
    more: Mapping[str, bytes] | None = None,
) -> Path:
    """Write a complete trial folder in the units the settings declare.

    Parameters
    ----------
    folder : path
        Made when it does not exist. None of the files to be written may be there.
    config : TrialConfig
    tables : mapping of table name to DataFrame
        In SI, with the columns of `trialkit.responses`; what is absent or empty is left out.
    more : mapping of name to bytes, optional
        Further files to write with them.

    Returns
    -------
    Path
        The folder. Writing is atomic: all files, or none.

    Raises
    ------
    FileExistsRefusal
        When a file of that name is there already.
    TrialError
        When a table breaks the schema; every failing column is listed.
    """
    unknown = sorted(set(tables) - set(schema.TABLES))
    if unknown:
        raise TrialError(
            f"no table {', '.join(map(repr, unknown))}; the tables are {', '.join(schema.TABLES)}"
        )
    contents = {"trial.toml": toml_text(config).encode()}
    for name in schema.TABLES:
        if name in tables and len(tables[name]):
            frame = _checked(tables[name], name, config.setups)
            contents[f"{name}.csv"] = csv_text(frame, name, config).encode()
    return write_all(folder, {**contents, **(more or {})})


def _checked(frame: pd.DataFrame, name: str, setups: Sequence[SetupFactor]) -> pd.DataFrame:
    import pandera.errors

    unknown = [str(c) for c in frame.columns if c not in schema.column_names(name, setups)]
    if unknown:
        raise TrialError(f"table {name!r} has no place for column {', '.join(unknown)}")
    try:
        frame = schema.tidy(frame, name, setups)
        schema.checker(name, setups).validate(frame, lazy=True)
    except TrialkitError as error:
        raise TrialError(str(error)) from None
    except pandera.errors.SchemaErrors as error:
        cases = error.failure_cases
        faults = [
            f"  {column}: {check} ({len(group)} cases, first {group['failure_case'].iloc[0]!r}"
            f" in row {group['index'].iloc[0]})"
            for (column, check), group in cases.groupby(["column", "check"], dropna=False)
        ]
        raise TrialError(f"table {name!r} cannot be written:\n" + "\n".join(faults)) from None
    return frame


def filled_files(config: TrialConfig, tables: Mapping[str, pd.DataFrame]) -> dict[str, bytes]:
    """A trial to fill in, file by file: the settings, and every table with all of its columns.

    Tables are in SI with the columns of `trialkit.responses`, and cells may be missing in all.
    """
    contents = {"trial.toml": toml_text(config).encode()}
    for name in schema.TABLES:
        frame = tables.get(name)
        frame = schema.empty(name, config.setups) if frame is None else frame
        contents[f"{name}.csv"] = csv_text(frame, name, config, every=True).encode()
    return contents


def csv_text(frame: pd.DataFrame, name: str, config: TrialConfig, *, every: bool = False) -> str:
    """A tidy SI table as CSV text in the declared units; twelve significant digits are kept.

    Optional columns that hold nothing are left out, unless `every` column is asked for.
    """
    layout = schema.table(name, config.setups)
    cells = []
    for column in layout.columns:
        values = frame[column.name]
        if not every and not column.required and values.isna().all():
            continue
        cells.append((column.header(config.units), cell_texts(values, column, config.units)))
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([header for header, _ in cells])
    writer.writerows(zip(*(column for _, column in cells), strict=True))
    return stream.getvalue()


def cell_texts(values: pd.Series, column: schema.Column, system: schema.System) -> list[str]:
    """Cells of a column as they are written to files of this system; missing is empty."""
    if column.kind in ("number", "count"):
        numbers = values.to_numpy(float)
        if column.si:
            numbers = units.convert(numbers, column.si, column.unit(system))
        return ["" if np.isnan(v) else f"{v:.12g}" for v in numbers]
    if column.kind == "date":
        return ["" if pd.isna(v) else _date_text(v) for v in values]
    return ["" if pd.isna(v) else plain_text(str(v)) for v in values]


def _date_text(moment: pd.Timestamp) -> str:
    whole_day = moment == moment.normalize()
    return f"{moment:%Y-%m-%d}" if whole_day else f"{moment:%Y-%m-%d %H:%M:%S}"


def plain_text(text: str) -> str:
    """User text that no spreadsheet will run: an apostrophe before what would begin a formula.

    Reading takes the apostrophe off again. Numbers stay as they are.
    """
    if _NUMBER.fullmatch(text):
        return text
    return "'" + text if _FORMULA.match(text.lstrip("'")) else text


def toml_text(config: TrialConfig) -> str:
    """The settings as trial.toml, in the units they declare; reading it gives them back."""
    us = config.units == "US"
    length, area, price = ("ft", "ac", "bushel") if us else ("m", "ha", "tonne")
    top: dict[str, Any] = {
        "title": config.title,
        "season": config.season,
        "units": config.units,
        "growers_agreed": config.growers_agreed,
        "notes": config.notes or None,
        "date_order": config.date_order,
    }
    header = {
        "rows": config.header.rows,
        f"width  # {length}": units.convert(config.header.width, "m", length),
        # A width that nobody gave is left out, so that reading the file does not make it one.
        f"discharge_width  # {length}": units.convert(config.header.discharge_width, "m", length)
        if config.header.discharge_stated
        else None,
    }
    parts = [_lines(top), "[header]\n" + _lines(header)]
    parts += ["[[setup]]\n" + _lines(_setup(factor, config.units)) for factor in config.setups]
    mass = {"thousand_kernel_mass  # g at base moisture": config.thousand_kernel_mass}
    # A mass that nobody gave stays a remark, so that reading the file does not make it one.
    parts.append(
        f"[grain]\n{'' if config.kernel_mass_stated else '# '}{_lines(mass)}"
        + _lines({"base_moisture  # %": config.base_moisture})
    )
    if config.price_per_t is not None:
        net = config.price_per_t
        net = units.price_per_tonne_to_per_bushel(net) if us else net
        parts.append(
            "[prices]\n" + _lines({"currency": config.currency, f"grain  # per {price}": net,
                                "hour": config.hour_cost})
        )
    if config.option is not None:
        parts.append("[option]\n" + _lines(_option(config.option, area)))
    return "\n".join([*parts, *_model(config.model)])


def _setup(factor: SetupFactor, system: str) -> dict[str, Any]:
    usual = labels_of(factor.label, factor.levels, factor.unit, factor.name)
    unit = usual_unit(factor.name, factor.levels, system)
    return {
        "name": factor.name,
        "label": factor.label,
        "levels": list(factor.levels),
        "labels": None if factor.level_labels == usual else list(factor.level_labels),
        "reference": factor.reference,
        "unit": None if factor.unit == unit else factor.unit,
        "hard_to_change": factor.hard_to_change or None,
    }


def _model(model: ModelConfig) -> list[str]:
    """Sections on the model, each where something in it is told."""
    asked, primary, prior = model.adjust_for, model.primary, model.prior
    sections: dict[str, dict[str, Any]] = {
        "model": {
            "adjust_for": None if asked is None else list(asked),
            "primary": None if primary == ModelConfig().primary else primary,
        },
        "model.prior": {"ratio": prior.ratio, "times": prior.times} if prior is not None else {},
        "model.margins": dict(model.margins),
    }
    return [f"[{name}]\n{lines}" for name, own in sections.items() if (lines := _lines(own))]


def _option(option: OptionCost, area: str) -> dict[str, Any]:
    """Keys of [option]; what is left at its default is not written."""
    per_area = option.repair_per_ha * units.convert(1.0, area, "ha")
    return {
        "factor": option.factor,
        "level": option.level,
        "cost": option.cost,
        "life_years": option.life_years if math.isfinite(option.life_years) else None,
        f"life_area  # {area}": units.convert(option.life_area, "ha", area)
        if math.isfinite(option.life_area)
        else None,
        "interest": option.interest,
        f"area_per_year  # {area}": units.convert(option.area_per_year, "ha", area),
        "salvage": option.salvage or None,
        f"repair_per_area  # per {area}": per_area or None,
        f"change_cost  # {remark('change_cost')}": option.change_cost or None,
        f"change_hours  # {remark('change_hours')}": option.change_hours or None,
        f"wage  # {remark('wage')}": option.wage or None,
        "changes_per_year": option.changes_per_year or None,
    }


def _lines(entries: Mapping[str, Any]) -> str:
    """TOML lines; a comment may follow the key after two spaces."""
    lines = []
    for key, value in entries.items():
        if value is not None:
            key, _, comment = key.partition("  ")
            lines.append(f"{key} = {toml_value(value)}{'  ' + comment if comment else ''}\n")
    return "".join(lines)


def toml_value(value: Any) -> str:
    """One TOML value: text, true/false, number, or a list of them."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    return str(value) if isinstance(value, int) else f"{float(value):.12g}"
