"""The record of a plan, read back from the folder it was written to."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.display import card, folded, table
from trialkit.errors import TrialError, TrialkitError
from trialkit.intake import TrialConfig, filled_workbook, read_trial, write_all
from trialkit.intake.config import read_toml
from trialkit.intake.decode import clean_utf8
from trialkit.intake.plan_sheet import PLAN, read_plan_sheet
from trialkit.intake.reading import read_file
from trialkit.intake.template import header_rows
from trialkit.intake.write import filled_files
from trialkit.plan.result import SHOWN, Plan
from trialkit.plan.sheets import planned_tables
from trialkit.plan.work import hours_of_work
from trialkit.responses import schema
from trialkit.simulate import Effort, HeaderProfile, Work
from trialkit.words.settings import shortened

RECORD = "plan.json"
_COLUMNS = {
    "strips": ("strip", "field", "pair", "main_strip", "setup", "run", "direction", "first_row",
               "last_row", "left", "right", "start", "end", "count_rows"),
    "passes": ("field", "pass", "kind", "strip", "first_row", "last_row", "left", "right"),
    "order": ("step", "what", "field", "pair", "strip", "setup", "words", "direction", "minutes",
              "begins"),
    "changeovers": ("factor", "label", "changes", "minutes_each", "hours"),
    "degrees_of_freedom": ("factor", "label", "levels", "compared_on", "df", "error_df"),
}  # fmt: skip
_NUMBERS = {"run", "first_row", "last_row", "left", "right", "start", "end", "pass", "step",
            "minutes", "begins", "changes", "minutes_each", "hours", "levels", "df",
            "error_df"}  # fmt: skip
_DUE = {"strip", "field", "pair", "setup", "run"}


@dataclass(frozen=True, slots=True, eq=False)
class PlannedTrial:
    """A plan as its folder records it.

    Attributes
    ----------
    seed : int
    layout : {"pairs", "blocks", "split"}
    arguments : mapping
        What `plan_trial` was called with; ``grounds``, ``work`` and ``effort`` as mappings. Plans
        of earlier versions have a ``pace`` (`Work.recorded`) and no ``effort``.
    strips, passes, order, changeovers, degrees_of_freedom : DataFrame
        As in `Plan`.
    words : tuple of str
        The plan in sentences, and what to know of it.
    effort : Effort or None
        What is to be counted; None where the plan did not say.
    """

    seed: int
    layout: str
    arguments: Mapping[str, Any]
    strips: pd.DataFrame
    passes: pd.DataFrame
    order: pd.DataFrame
    changeovers: pd.DataFrame
    degrees_of_freedom: pd.DataFrame
    words: tuple[str, ...]
    effort: Effort | None

    @property
    def hours(self) -> float:
        """Hours of all the work, as `Plan.hours`; of an older plan, those of its steps."""
        if "effort" not in self.arguments:
            return float(self.order["minutes"].sum()) / 60
        work, effort = Work.recorded(self.arguments), _effort(self.arguments["effort"])
        return float(hours_of_work(self.order, self.changeovers, work, effort)["hours"].iloc[-1])

    @property
    def positions(self) -> pd.DataFrame:
        """Where strips lie: ``strip, field``, ``at``, the middle in m across the field, and
        ``lane``, alike for strips that begin alike along the rows."""
        strips = self.strips
        at = (strips["left"].astype(float) + strips["right"].astype(float)) / 2
        return strips[["strip", "field"]].assign(at=at, lane=strips["start"])

    def _repr_html_(self) -> str:
        strips = self.strips[[c for c in SHOWN if self.strips[c].notna().any()]]
        return card(
            "As planned",
            self.words,
            folded("Strips by position", table(strips, rows=400)),
            folded("Order of work", table(self.order, rows=400)),
        )


def read_plan(trial: str | Path) -> PlannedTrial | None:
    """The plan a trial was made from; None where it keeps none.

    Parameters
    ----------
    trial : path
        A folder, which keeps it in ``plan.json``, or a workbook, which keeps it in a sheet "plan".

    Raises
    ------
    TrialError
        When what is kept cannot be read as a plan; the message names it and what is wrong.
    """
    folder = Path(trial)
    book = folder.is_file() and folder.suffix.casefold() in (".xlsx", ".xlsm")
    path = folder if book else folder / RECORD
    where = f"The sheet {PLAN} of {path}" if book else str(path)
    if not os.path.lexists(path):
        return None
    try:
        if book:
            record = read_plan_sheet(path, frozenset({*_COLUMNS, "words"}))
            if record is None:
                return None
        else:
            record = json.loads(read_file(path, "plan_bytes", inside=folder))
        planned = _planned(record)
        planned.hours  # noqa: B018 -- what is wrong with its work is told here, not in a page
        return planned
    except OSError as error:
        raise TrialError(f"{path} cannot be read: {error.strerror}") from None
    except KeyError as error:
        raise TrialError(f"{where} is no plan: it has no {error.args[0]!r}") from None
    except RecursionError:
        raise TrialError(
            f"{where} is no plan: brackets stand too deep within one another"
        ) from None
    except (ValueError, TypeError, AttributeError, ArithmeticError, SyntaxError) as error:
        raise TrialError(f"{where} is no plan: {shortened(str(error), 200)}") from None


def effort_of(planned: Plan | PlannedTrial) -> Effort | None:
    """What a plan counts on every strip, whether or not its folder has rows for it."""
    if planned.effort is not None:
        return planned.effort
    given = planned.arguments.get("effort")
    return None if given is None else _effort(given)


def begin_from(planned: str | Path, target: str | Path) -> Path:
    """Begin another copy of a planned trial: nothing measured, every row of it to fill in.

    Parameters
    ----------
    planned : path
        Folder with a ``plan.json``, or workbook with a sheet "plan"; what is counted in it already
        is not taken along.
    target : path
        A new folder, or a new .xlsx, which has drop-downs.

    Raises
    ------
    TrialError
        When `planned` keeps no plan, or its files cannot be read.
    FileExistsRefusal
        When one of the files is there already.
    """
    planned, target = Path(planned), Path(target)
    record = read_plan(planned)
    if record is None:
        raise TrialError(
            f"{planned} holds no {RECORD}, nor a sheet {PLAN!r}; give a folder made by: trialkit "
            "plan FOLDER, or a workbook made from one"
        )
    config, raw = _from_book(planned) if planned.is_file() else _from_folder(planned)
    own = schema.column_names("strips", config.setups)
    known = [c for c in ("field", "grower", "row_spacing")
             if any(c in g for g in record.arguments["grounds"])]  # fmt: skip
    fields = pd.DataFrame(record.arguments["grounds"], columns=known)
    strips = record.strips[[c for c in record.strips if c in own]]
    try:
        tables = {"fields": schema.tidy(fields, "fields"),
                  "strips": schema.tidy(strips, "strips", config.setups)}  # fmt: skip
    except TrialkitError as error:
        raise TrialError(f"The plan of {planned} does not fit its settings: {error}") from None
    tables |= planned_tables(record.strips, record.effort or Effort.usual(config.units))
    tables["header_check"] = header_rows(config.header.rows)
    if target.suffix.casefold() == ".xlsx":
        return filled_workbook(target, config, tables, json.loads(raw))
    return write_all(target, {**filled_files(config, tables), RECORD: raw})


def _from_folder(planned: Path) -> tuple[TrialConfig, bytes]:
    """Settings of a planned trial, and its plan as it is kept."""
    try:
        settings = read_file(planned / "trial.toml", "settings_bytes", inside=planned)
        raw = read_file(planned / RECORD, "plan_bytes", inside=planned)
    except OSError as error:
        raise TrialError(f"{error.filename} cannot be read: {error.strerror}") from None
    return read_toml(clean_utf8(settings)[0].decode(), str(planned / "trial.toml")), raw


def _from_book(planned: Path) -> tuple[TrialConfig, bytes]:
    record = read_plan_sheet(planned, frozenset({*_COLUMNS, "words"}))
    return read_trial(planned, strips=False).config, json.dumps(record, indent=1).encode()


def _planned(record: Any) -> PlannedTrial:
    if not isinstance(record, dict):
        raise ValueError("it holds no object")
    seed, layout, arguments, words = (record[k] for k in ("seed", "layout", "arguments", "words"))
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise ValueError(f"its seed is {seed!r}")
    if not isinstance(layout, str) or not isinstance(arguments, dict):
        raise ValueError("its layout is a word and its arguments an object")
    if not isinstance(words, list) or not all(isinstance(w, str) for w in words):
        raise ValueError("its words are a list of sentences")
    grounds = arguments.get("grounds")
    if not isinstance(grounds, list) or not all(
        isinstance(g, dict) and isinstance(g.get("field"), str) and _is_number(g.get("row_spacing"))
        for g in grounds
    ):
        raise ValueError("its grounds are a list of fields with their row_spacing")
    effort = record.get("effort")
    return PlannedTrial(
        seed=seed,
        layout=layout,
        arguments=arguments,
        **{name: _table(record[name], name, columns) for name, columns in _COLUMNS.items()},
        words=tuple(words),
        effort=None if effort is None else _effort(effort),
    )


def _table(rows: Any, name: str, columns: tuple[str, ...]) -> pd.DataFrame:
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ValueError(f"its {name} are a list of objects")
    for row in rows:
        if missing := [c for c in columns if c not in row]:
            raise ValueError(f"a row of its {name} has no {missing[0]!r}")
        for column, value in row.items():
            number, due = column in _NUMBERS, name == "strips" and column in _DUE
            if value is None and not due:
                continue
            if not (_is_number(value) if number else isinstance(value, str)):
                wanted = "a number" if number else "a text"
                raise ValueError(f"{column} of a row of its {name} is {value!r}, not {wanted}")
    frame = pd.DataFrame(rows, columns=None if rows else list(columns))
    if "main_strip" in frame:
        # All missing unless split: text all the same.
        frame["main_strip"] = frame["main_strip"].astype(schema.TEXT)
    return frame


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) < 1e9


def _effort(given: Any) -> Effort:
    if not isinstance(given, dict):
        raise ValueError("its effort is an object")
    known = [f.name for f in dataclasses.fields(Effort)]
    if unknown := [key for key in given if key not in known]:
        raise ValueError(f"its effort has {unknown[0]!r}; what it may have is {', '.join(known)}")
    profile = given.get("header_check")
    if profile is not None:
        given = {**given, "header_check": HeaderProfile(**profile)}
    effort = Effort(**given)
    for field in dataclasses.fields(Effort):
        value = getattr(effort, field.name)
        if isinstance(field.default, int | float) and (
            isinstance(value, bool) or not isinstance(value, int | float) or value < 0
        ):
            raise ValueError(f"its effort has {field.name} {value!r}")
    return effort
