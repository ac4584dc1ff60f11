"""The trial: its settings and its checked tables, in SI, with what was refused and why."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from trialkit.display import card, table
from trialkit.errors import TrialError, TrialkitError
from trialkit.intake import causes
from trialkit.intake.check import no_faults
from trialkit.intake.config import TrialConfig
from trialkit.intake.read import Intake, no_reads, read_trial
from trialkit.intake.write import csv_text, toml_text
from trialkit.losses import Losses, losses
from trialkit.responses import RESPONSES, fate, schema
from trialkit.words import causes as cause_words
from trialkit.words import unlocks as words


@dataclass(frozen=True, slots=True, eq=False, repr=False, init=False)
class Trial:
    """One trial, every quantity in SI (columns and units: `trialkit.responses`).

    Attributes
    ----------
    config : TrialConfig
        Title, season, header, setup factors, prices.
    tables : mapping of str to DataFrame
        Every table by name (`trialkit.responses.TABLES`): the rows that passed every check; empty
        with the right columns when a table is absent. Those this program has are attributes too:
        ``trial.strips`` is ``trial.tables["strips"]``.
    refused : DataFrame
        One row per fault: file, line (physical line or sheet row, from 1), column, value, expected,
        lost ("row", or "cell" where the rest of the row stays), because (file and line of the
        refused row on whose account this one is; empty where the fault is its own). Several faults
        may share a line.
    read : DataFrame
        One row per file, of a phone's one per table, as `trialkit.intake.Intake` has it: how many
        rows came to what, and how it was read, one note to a line.
    extra : mapping of table name to DataFrame
        Text of columns that are not the table's, row for row with it.
    source : Path or None
        Where the trial was read from.
    """

    config: TrialConfig
    tables: Mapping[str, pd.DataFrame]
    refused: pd.DataFrame = field(default_factory=no_faults)
    read: pd.DataFrame = field(default_factory=no_reads)
    extra: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    source: Path | None = None
    digest: str = ""

    def __init__(
        self, config: TrialConfig, tables: Mapping[str, pd.DataFrame], *,
        refused: pd.DataFrame | None = None, read: pd.DataFrame | None = None,
        extra: Mapping[str, pd.DataFrame] | None = None, source: Path | None = None,
        digest: str = "", **changed: pd.DataFrame,
    ) -> None:  # fmt: skip
        """With tables by name; any given by its own name stands in for that of `tables`, so that
        ``dataclasses.replace(trial, strips=...)`` changes one."""
        if unknown := sorted(set(changed) - set(tables)):
            raise TypeError(f"Trial has no table {unknown[0]!r}")
        put = object.__setattr__
        put(self, "config", config)
        put(self, "tables", {**tables, **changed})
        put(self, "refused", no_faults() if refused is None else refused)
        put(self, "read", no_reads() if read is None else read)
        put(self, "extra", {} if extra is None else extra)
        put(self, "source", source)
        put(self, "digest", digest)

    @classmethod
    def from_tables(cls, config: TrialConfig, tables: Mapping[str, pd.DataFrame]) -> Trial:
        """A trial from SI tables in memory; absent tables are empty.

        Types and required columns are checked here; ranges and keys when it is written.

        Raises
        ------
        TrialError
            For a table that is not known, or lacks a required column.
        """
        unknown = sorted(set(tables) - set(schema.TABLES))
        if unknown:
            raise TrialError(f"no table {unknown[0]!r}; the tables are {', '.join(schema.TABLES)}")
        try:
            tidied = {
                name: schema.tidy(tables[name], name, config.setups)
                if name in tables
                else schema.empty(name, config.setups)
                for name in schema.TABLES
            }
        except TrialkitError as error:
            raise TrialError(str(error)) from None
        return cls(config, tidied)

    def with_tables(self, **changed: pd.DataFrame) -> Trial:
        """The trial with some of its tables changed."""
        return replace(self, tables={**self.tables, **changed})

    @property
    def fields(self) -> pd.DataFrame:
        """Fields, one row each."""
        return self.tables["fields"]

    @property
    def strips(self) -> pd.DataFrame:
        """Strips: place, setup, settings and readings."""
        return self.tables["strips"]

    @property
    def frames(self) -> pd.DataFrame:
        """Frames with kernels counted."""
        return self.tables["frames"]

    @property
    def ears(self) -> pd.DataFrame:
        """Searches for dropped ears."""
        return self.tables["ears"]

    @property
    def grain(self) -> pd.DataFrame:
        """Grain samples."""
        return self.tables["grain"]

    @property
    def ear_butt_damage(self) -> pd.DataFrame:
        """Groups of ears collected at the header."""
        return self.tables["ear_butt_damage"]

    @property
    def residue(self) -> pd.DataFrame:
        """Readings of material other than grain."""
        return self.tables["residue"]

    @property
    def header_check(self) -> pd.DataFrame:
        """Row units of the headers as measured."""
        return self.tables["header_check"]

    @property
    def stalks(self) -> pd.DataFrame:
        """Diameters of stalks."""
        return self.tables["stalks"]

    @property
    def ear_butts(self) -> pd.DataFrame:
        """Diameters of ear butts."""
        return self.tables["ear_butts"]

    @property
    def setup_factors(self) -> tuple[str, ...]:
        """Names of the setup factors: columns of `strips`."""
        return tuple(factor.name for factor in self.config.setups)

    @property
    def setups(self) -> pd.DataFrame:
        """The distinct setups: one column per factor and the number of strips of each."""
        factors = list(self.setup_factors)
        if not factors:
            return pd.DataFrame({"strips": [len(self.strips)]})
        return (
            self.strips.groupby(factors, as_index=False).size().rename(columns={"size": "strips"})
        )

    @property
    def to_fill(self) -> str:
        """What is not filled in yet, in a sentence; empty where every row has something in it."""
        left = self.read.assign(due=self.read["rows_not_filled"] - self.read["rows_not_due"])
        left = left.groupby("table", sort=False, as_index=False)[["due", "rows_in"]].sum()
        left = left[left["due"] > 0]
        if left.empty:
            return ""
        rows = ((str(r.table), int(r.due), int(r.rows_in)) for r in left.itertuples())
        return words.to_fill(list(rows))

    @property
    def read_shown(self) -> pd.DataFrame:
        """`read` without what it counts none of: rows not filled in, or not due."""
        none = [c for c in ("rows_not_filled", "rows_not_due") if not self.read[c].any()]
        return self.read.drop(columns=none)

    @property
    def used(self) -> Trial:
        """The trial less what its users' word leaves out (`trialkit.responses.fate`): what every
        analysis and comparison reads. Itself where nothing is left out."""
        tables = fate.used(self.tables)
        return self if tables is None else replace(self, tables=tables, extra={})

    def losses(self) -> Losses:
        """Losses by source, per frame, strip and setup."""
        own = self.used
        return losses(own.frames, own.ears, own.strips, own.fields, self.config)

    def unlocks(self) -> pd.DataFrame:
        """Which parts of the analysis and the reports the data unlock: part, unlocked, reason."""
        return pd.DataFrame(_parts(self.used), columns=["part", "unlocked", "reason"])

    def data_hash(self) -> str:
        """SHA-256 (hex) of the source files as read; of the written form for a trial in memory."""
        if self.digest:
            return self.digest
        digest = hashlib.sha256(toml_text(self.config).encode())
        for name, frame in self.tables.items():
            if len(frame):
                digest.update(f"{name}\n{csv_text(frame, name, self.config)}".encode())
        return digest.hexdigest()

    def __repr__(self) -> str:
        rows = ", ".join(
            f"{len(frame)} {name}" for name, frame in self.tables.items() if len(frame)
        )
        refused, waiting, not_due = (
            int(self.read[c].sum()) for c in ("rows_refused", "rows_not_filled", "rows_not_due")
        )
        return (
            f"Trial({self.config.title!r}, {self.config.season}: {rows}; {words.rows(refused)} "
            f"refused{words.waiting(waiting - not_due)})"
        )

    def _repr_html_(self) -> str:
        return _html(self)


def load_trial(path: str | Path, *, harvested: bool = True) -> Trial:
    """Read a trial folder (trial.toml and CSV files) or one workbook (.xlsx).

    Rows and cells at fault are refused with file, line, column, value and what was expected, and
    stand in ``trial.refused``; the rest is used. A bad cell of an optional column is missing, one
    of a key or a required column refuses its row.

    Parameters
    ----------
    path : path
        The folder, or the workbook.
    harvested : bool
        Whether strips and something measured on them must be there. What is done before harvest,
        such as the check of a header, does without.

    Returns
    -------
    Trial

    Raises
    ------
    TrialError
        When the trial is unusable as a whole: no such path, no or faulty settings, no strips left,
        no row left in any response table. Rows that wait to be filled in are reason enough to
        read it; the latter two are not asked for where `harvested` is false.
    """
    return as_trial(read_trial(path, strips=harvested), path, harvested=harvested)


def as_trial(intake: Intake, path: str | Path, *, harvested: bool = True) -> Trial:
    """A trial from what was read of it; parameters and errors otherwise as `load_trial`."""
    if harvested:
        _require_rows(intake.tables, intake.read, intake.refused, Path(path))
    return Trial(
        intake.config, intake.tables, refused=intake.refused, read=intake.read, extra=intake.extra,
        source=Path(path), digest=intake.digest,
    )  # fmt: skip


def _require_rows(
    tables: Mapping[str, pd.DataFrame], read: pd.DataFrame, refused: pd.DataFrame, path: Path
) -> None:
    responses = [name for name, layout in schema.TABLES.items() if layout.response]
    due = read["rows_not_filled"] - read["rows_not_due"]
    if tables["strips"].empty:
        wanted = ["strips"]
    elif all(tables[name].empty for name in responses) and not due.any():
        wanted = responses
    else:
        return
    if not (read["rows_in"] - read["rows_not_due"]).any() and not read["notes"].any():
        raise TrialError(
            f"{path} is still empty. Fill in strips, one row per combine pass, and what was "
            f"counted on them: {', '.join(responses[:-1])} or {responses[-1]}."
        )
    found = read[read["table"].isin(wanted)]
    files = [(str(r.file), int(r.rows_in), str(r.notes)) for r in found.itertuples()]
    names = set(found["file"])
    at_fault = [c.sentence for c in causes.group(refused).causes if names & c.files]
    raise TrialError(
        words.unusable(str(path), wanted, files, at_fault, not tables["header_check"].empty)
    )


_Part = tuple[str, bool, str]


def _parts(trial: Trial) -> list[_Part]:
    strips, config = trial.strips, trial.config
    fields = strips["field"].nunique()
    option = config.option
    priced = config.price_per_t is not None
    payable = priced and option is not None
    return [
        _comparison(trial),
        *_of_responses(trial),
        _column(trial, words.MOISTURE, "strips", "moisture"),
        _column(trial, words.SPEED, "strips", "speed_measured"),
        (words.FIELDS, fields > 1, words.fields(fields)),
        (words.VALUE, priced, words.value(config.currency if priced else None)),
        (
            words.PAYBACK,
            payable,
            words.payback(option.factor, option.level)
            if payable and option is not None
            else words.payback("", ""),
        ),
        *_of_header(trial),
    ]


def _of_responses(trial: Trial) -> list[_Part]:
    """What every response says of the data it needs."""
    own = [(part, r) for r in RESPONSES.values() for part in r.unlocked]
    out: list[_Part] = []
    for part, response in sorted(own, key=lambda one: one[0].rank):
        column = part.column or response.response
        missing = part.missing or f"column {column}"
        if part.judge is None:
            given = int(response.own(trial.tables)[column].notna().sum())
            unlocked, reason = given > 0, words.rows_with(column, given) if given else ""
        else:
            unlocked, reason = part.judge(trial.tables, trial.config)
        out.append((part.part, unlocked, reason or _missing(trial, response.table, missing)))
    return out


def _of_header(trial: Trial) -> list[_Part]:
    """No response, so these parts stand in the list only where there is something to check."""
    checked = len(trial.header_check) > 0
    several = trial.strips["header"].nunique()
    parts: list[_Part] = []
    if several > 1:
        known = trial.strips["header"].isin(trial.header_check["header"])
        reason = words.headers(several, int(known.sum()), len(known))
        parts.append((words.GAP, bool(known.all()), reason))
    for name, (part, column) in words.HEADER_PARTS.items():
        if given := int(trial.tables[name][column].notna().sum()):
            parts.append((part, checked, words.header_rows(given, checked)))
    return parts


def _comparison(trial: Trial) -> _Part:
    setups = len(trial.setups) if trial.setup_factors else 0
    if setups < 2:
        return words.COMPARISON, False, words.nothing_compared(setups)
    pairs = trial.strips.groupby(["field", "pair"])[list(trial.setup_factors)]
    complete = sum(len(group.drop_duplicates()) > 1 for _, group in pairs)
    return words.COMPARISON, complete > 1, words.comparison(setups, complete)


def _column(trial: Trial, part: str, name: str, column: str) -> _Part:
    """A part that needs one column of one table."""
    given = int(trial.tables[name][column].notna().sum())
    reason = words.rows_with(column, given) if given else _missing(trial, name, f"column {column}")
    return part, given > 0, reason


def _missing(trial: Trial, name: str, what: str) -> str:
    if len(trial.tables[name]):
        return words.no_value(name, what)
    row = trial.read[trial.read["table"] == name]
    if row.empty:
        return words.no_table(name)
    refused, waiting = (int(row[c].sum()) for c in ("rows_refused", "rows_not_filled"))
    return words.not_filled(name, waiting, refused) if waiting else words.no_rows(name, refused)


def _html(trial: Trial) -> str:
    config = trial.config
    counts = trial.read_shown
    if counts.empty:
        sizes = {name: len(frame) for name, frame in trial.tables.items() if len(frame)}
        counts = pd.DataFrame({"table": list(sizes), "rows": list(sizes.values())})
    else:
        counts = counts.assign(notes=counts["notes"].str.replace("\n", "; "))
    factors = "; ".join(
        f"{factor.label}: {', '.join(factor.level_labels)}" for factor in config.setups
    )
    told = [factors or words.NO_FACTORS]
    faults = ""
    if trial.to_fill:
        told.append(trial.to_fill)
    if len(trial.refused):
        grouped = causes.group(trial.refused)
        told.append(cause_words.cost(*grouped.cost, int(trial.read["rows_in"].sum())))
        shown = causes.table(grouped.causes)
        faults = table(shown, cause_words.title(), rows=5)
    heading = f"{config.title} ({config.season})"
    return card(heading, told, table(counts, names=words.READ_COLUMNS), faults)
