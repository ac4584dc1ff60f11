"""Trials to fill in: a folder of CSV files, or one workbook with drop-downs."""

from __future__ import annotations

import io
import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.display import visible
from trialkit.errors import TrialError
from trialkit.intake.config import ADJUSTABLE, SetupFactor, TrialConfig, check_config
from trialkit.intake.files import write_all, write_new
from trialkit.intake.plan_sheet import PLAN, plan_rows
from trialkit.intake.workbook import SETTINGS
from trialkit.intake.write import cell_texts, toml_text, toml_value
from trialkit.responses import ZONES, schema
from trialkit.units import DEFAULT_THOUSAND_KERNEL_MASS
from trialkit.words import settings as words
from trialkit.words.workbook import choose, readme

_EXAMPLE_SETUPS: Mapping[str, Sequence[str]] = {"cushion": ("standard", "cushion")}
_LAST_ROW = 2000
_MORE_ROWS = 200  # beyond those filled, with drop-downs too
_MOST_LEVELS = 8
_ROWS = 8  # of the header of a new trial


def new_trial(
    folder: str | Path,
    units: schema.System = "US",
    setups: Mapping[str, Sequence[str]] | None = None,
) -> Path:
    """Write an empty trial folder: CSV files with headers and units, and a commented trial.toml.

    ``header_check`` has the row units of the header in the settings.

    Parameters
    ----------
    folder : path
        Made when it does not exist; none of the files may be there.
    units : {"US", "SI"}
    setups : mapping of factor name to its levels, optional
        The first level of each is its reference. By default a cushioned against a standard chain.

    Raises
    ------
    FileExistsRefusal
        When one of the files is there already.
    TrialError
        When the units or a factor's name or levels will not do.
    """
    factors = _factors(units, setups)
    contents = {"trial.toml": _commented_toml(units, factors).encode()}
    for name in schema.TABLES:
        layout = schema.table(name, factors)
        line = ",".join(column.header(units) for column in layout.columns)
        lines = [line]
        if layout.laid_out:
            named = header_rows(_ROWS)
            cells = [cell_texts(named[c.name], c, units) for c in layout.columns]
            lines += map(",".join, zip(*cells, strict=True))
        contents[f"{name}.csv"] = "".join(f"{line}\n" for line in lines).encode()
    return write_all(folder, contents)


def new_workbook(
    path: str | Path,
    units: schema.System = "US",
    setups: Mapping[str, Sequence[str]] | None = None,
) -> Path:
    """Write an empty trial as one .xlsx: a sheet per table, settings, drop-downs, a readme sheet.

    Parameters and errors as `new_trial`; `path` is the new file (".xlsx" is added when missing).
    """
    factors = _factors(units, setups)
    tables = {"header_check": header_rows(_ROWS)}
    return write_new(_xlsx(path), _workbook(units, factors, _settings(units, factors), tables))


def header_rows(rows: int) -> pd.DataFrame:
    """A row for every row unit of a header called "1", nothing measured: `header_check` to be."""
    names = pd.DataFrame({"header": "1", "row": [str(n) for n in range(1, rows + 1)]})
    return schema.tidy(names, "header_check")


def filled_workbook(
    path: str | Path, config: TrialConfig, tables: Mapping[str, pd.DataFrame],
    plan: Mapping[str, Any] | None = None,
) -> Path:  # fmt: skip
    """Write a trial begun elsewhere as one .xlsx, as `new_workbook` does an empty one.

    Parameters
    ----------
    path : path
        The new file; ".xlsx" is added when missing.
    config : TrialConfig
    tables : mapping of table name to DataFrame
        In SI, with the columns of `trialkit.responses`; cells may be missing in all of them.
    plan : mapping, optional
        Record of the plan it was made from, kept in a sheet of its own (`plan_sheet`).

    Raises
    ------
    FileExistsRefusal
        When the file is there already.
    TrialError
        When a factor has more levels than a template takes.
    """
    if config.setups and max(len(f.levels) for f in config.setups) > _MOST_LEVELS:
        raise TrialError(f"a factor has at most {_MOST_LEVELS} levels in a template")
    own = tomllib.loads(toml_text(config))
    rows = [
        (key, about, *_own_value(own, key, value, needed))
        for key, about, value, needed in _settings(config.units, config.setups)
    ]
    return write_new(_xlsx(path), _workbook(config.units, config.setups, rows, tables, plan))


def _xlsx(path: str | Path) -> Path:
    path = Path(path)
    return path if path.suffix.casefold() == ".xlsx" else path.with_name(path.name + ".xlsx")


def _own_value(own: Mapping[str, Any], key: str, example: Any, needed: bool) -> tuple[Any, bool]:
    """A trial's own value of a setting, and whether it is written down."""
    section, _, last = key.rpartition(".")
    if section.startswith("setup."):
        name = section.removeprefix("setup.")
        value = next(entry for entry in own["setup"] if entry["name"] == name).get(last)
    else:
        place = own
        for name in filter(None, section.split(".")):
            place = place.get(name, {})
        value = place.get(last)
    if value == []:  # a list of nothing would be an empty cell, which reads as left out
        return "none", True
    return (example, needed) if value is None else (value, True)


def _factors(
    units: schema.System, setups: Mapping[str, Sequence[str]] | None
) -> tuple[SetupFactor, ...]:
    setups = _EXAMPLE_SETUPS if setups is None else setups
    if setups and max(map(len, setups.values())) > _MOST_LEVELS:
        raise TrialError(f"a factor has at most {_MOST_LEVELS} levels in a template")
    entries = [{"name": name, "levels": list(levels)} for name, levels in setups.items()]
    settings = {
        "title": "new",
        "season": date.today().year,
        "units": units,
        "header": {"rows": _ROWS, "width": 20},
        "setup": entries,
    }
    return check_config(settings, "the new trial").setups


def _settings(
    units: schema.System, factors: tuple[SetupFactor, ...]
) -> list[tuple[str, str, Any, bool]]:
    """Key, what it is, example value, whether it is needed."""
    # The units line may be changed later, so each quantity names both of its units.
    us = units == "US"
    rows: list[tuple[str, Any, bool]] = [
        ("title", words.EXAMPLE_TITLE, True),
        ("season", date.today().year, True),
        ("units", units, True),
        ("growers_agreed", False, True),
        ("notes", "", False),
        ("date_order", "month-first", False),
        ("header.rows", _ROWS, True),
        ("header.width", 20 if us else 6, True),
        ("header.discharge_width", 20 if us else 6, False),
    ]
    for factor in factors:
        rows += [
            (f"setup.{factor.name}.label", factor.label, True),
            (f"setup.{factor.name}.levels", list(factor.levels), True),
            (f"setup.{factor.name}.labels", list(factor.levels), False),
            (f"setup.{factor.name}.reference", factor.reference, True),
            (f"setup.{factor.name}.hard_to_change", False, True),
        ]
    rows += [
        ("grain.thousand_kernel_mass", DEFAULT_THOUSAND_KERNEL_MASS, False),
        ("grain.base_moisture", 15.5, False),
        ("prices.currency", "USD", False),
        ("prices.grain", 4.00 if us else 157.50, False),
        ("prices.hour", 200, False),
        ("option.factor", factors[0].name if factors else "", False),
        ("option.level", factors[0].levels[-1] if factors else "", False),
        ("option.cost", 6000, False),
        ("option.life_years", 10, False),
        ("option.life_area", 5000 if us else 2000, False),
        ("option.interest", 0.08, False),
        ("option.area_per_year", 500 if us else 200, False),
        ("option.repair_per_area", 0.1 if us else 0.25, False),
        ("option.change_hours", 3, False),
        ("option.wage", 25, False),
        ("model.adjust_for", ["moisture"], False),
        ("model.primary", "header_loss", False),
        ("model.prior.ratio", 1.0, False),
        ("model.prior.times", 1.5, False),
        ("model.margins.residue_mass", 1.25, False),
    ]
    slots = {"usual": f"{DEFAULT_THOUSAND_KERNEL_MASS:g}", "known": ", ".join(ADJUSTABLE)}
    return [
        (key, words.about(re.sub(r"^setup\..*\.", "setup.", key), **slots), value, needed)
        for key, value, needed in rows
    ]


def _commented_toml(units: schema.System, factors: tuple[SetupFactor, ...]) -> str:
    lines = [*(f"# {line}" for line in words.head_of_file()), ""]
    section = ""
    for key, about, value, needed in _settings(units, factors):
        *sections, last = key.split(".")
        if sections and ".".join(sections) != section:
            section = ".".join(sections)
            in_use = needed or any(
                n and k.startswith(section) for k, _, _, n in _settings(units, factors)
            )
            head = "[[setup]]" if sections[0] == "setup" else f"[{section}]"
            lines += ["", head if in_use else f"# {head}"]
            if sections[0] == "setup":
                lines.append(f"name = {toml_value(sections[1])}  # column of strips.csv")
        lines.append(f"{'' if needed else '# '}{last} = {toml_value(value)}  # {about}")
    return "\n".join(lines) + "\n"


def _workbook(
    units: schema.System,
    factors: tuple[SetupFactor, ...],
    settings: list[tuple[str, str, Any, bool]],
    tables: Mapping[str, pd.DataFrame],
    plan: Mapping[str, Any] | None = None,
) -> bytes:
    from openpyxl import Workbook
    from openpyxl.styles import Font

    book = Workbook()
    first = book.active
    assert first is not None
    first.title = "readme"
    counted = [name for name, layout in schema.TABLES.items() if layout.response]
    for line in readme(counted, {name: zone.ground().full for name, zone in ZONES.items()}):
        first.append([line])
    first["A1"].font = Font(bold=True, size=14)
    first.column_dimensions["A"].width = 110
    level_cells = _settings_sheet(book.create_sheet(SETTINGS), settings)
    last = max([_LAST_ROW, *(len(table) + _MORE_ROWS for table in tables.values())])
    for name in schema.TABLES:
        sheet, layout = book.create_sheet(name), schema.table(name, factors)
        _table_sheet(sheet, layout, units, level_cells, last)
        if name in tables:
            _fill(sheet, layout, units, tables[name])
    if plan is not None:
        _plan_sheet(book.create_sheet(PLAN), plan)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _plan_sheet(sheet: Any, plan: Mapping[str, Any]) -> None:
    """The record of the plan, hidden: it is read by the program, and for nobody to change."""
    sheet.append(["key", "value"])
    for row, entry in enumerate(plan_rows(plan), start=2):
        for place, text in enumerate(entry, start=1):
            _put(sheet.cell(row, place), text)
    _finish(sheet, [24, 110])
    sheet.sheet_state = "hidden"


def _fill(sheet: Any, layout: schema.Table, units: schema.System, table: pd.DataFrame) -> None:
    for place, column in enumerate(layout.columns, start=1):
        is_number = column.kind in ("number", "count")
        for row, text in enumerate(cell_texts(table[column.name], column, units), start=2):
            if text:
                _put(sheet.cell(row, place), float(text) if is_number else text)


def _settings_sheet(sheet: Any, settings: list[tuple[str, str, Any, bool]]) -> dict[str, str]:
    """Fill the settings sheet; the cells that hold each factor's levels."""
    from openpyxl.styles import Font
    from openpyxl.worksheet.datavalidation import DataValidation

    sheet.append(["key", "about", "value"])
    level_cells = {}
    last = chr(ord("C") + _MOST_LEVELS - 1)
    drop_downs = {"units": '"US,SI"', "growers_agreed": '"yes,no"', "hard_to_change": '"yes,no"',
                  "date_order": '"month-first,day-first"'}  # fmt: skip
    for row, (key, about, value, needed) in enumerate(settings, start=2):
        values = value if isinstance(value, list) else [value]
        values = ["yes" if v is True else "no" if v is False else v for v in values]
        for place, cell in enumerate([key, about, *(values if needed else [])], start=1):
            _put(sheet.cell(row, place), cell)
        sheet.cell(row, 1).font = Font(bold=needed)
        section, _, what = key.rpartition(".")
        if what == "levels":
            level_cells[section.removeprefix("setup.")] = f"{SETTINGS}!$C${row}:${last}${row}"
        choices = drop_downs.get(what)
        if what == "reference":
            choices = level_cells[section.removeprefix("setup.")]
        if choices:
            rule = DataValidation(type="list", formula1=choices, allow_blank=True)
            sheet.add_data_validation(rule)
            rule.add(f"C{row}")
    _finish(sheet, [34, 70, 24])
    return level_cells


def _put(cell: Any, value: Any) -> None:
    """Set a cell; text that begins like a formula stays text."""
    cell.value = value = visible(value) if isinstance(value, str) else value
    if isinstance(value, str) and value.startswith("="):
        cell.data_type, cell.quotePrefix = "s", True


def _table_sheet(
    sheet: Any,
    layout: schema.Table,
    units: schema.System,
    level_cells: Mapping[str, str],
    last: int,
) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for place, column in enumerate(layout.columns, start=1):
        head = sheet.cell(1, place, column.header(units))
        head.font = Font(bold=column.required)
        head.comment = Comment(visible(column.about), "trialkit")
        rule = None
        if column.kind in ("zone", "choice"):
            rule = DataValidation(type="list", formula1=f'"{",".join(column.levels)}"')
        elif column.kind == "level":
            own = visible(f'"{",".join(column.levels)}"')
            rule = DataValidation(type="list", formula1=level_cells.get(column.name, own))
        elif column.name == "strip" and layout.name != "strips":
            rule = DataValidation(type="list", formula1=f"strips!$A$2:$A${last}")
        elif column.name == "field" and layout.of_a_field:
            rule = DataValidation(type="list", formula1=f"strips!$B$2:$B${last}")
        if rule:
            rule.allow_blank = True
            rule.showErrorMessage = True
            rule.error = visible(choose(column.about))
            sheet.add_data_validation(rule)
            letter = get_column_letter(place)
            rule.add(f"{letter}2:{letter}{last}")
    _finish(sheet, [max(12, len(c.header(units)) + 3) for c in layout.columns])


def _finish(sheet: Any, widths: Sequence[int]) -> None:
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "A2"
    for place, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(place)].width = width
