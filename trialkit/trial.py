"""The trial: its settings and its checked tables, in SI, with what was refused and why."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from trialkit import schema
from trialkit.behind_machine import cobs_counted, width_assumed
from trialkit.display import card, table
from trialkit.errors import TrialError, TrialkitError
from trialkit.intake.check import no_faults
from trialkit.intake.config import TrialConfig
from trialkit.intake.read import no_reads, read_trial
from trialkit.intake.write import csv_text, toml_text
from trialkit.losses import Losses, losses

_FAULTS_IN_MESSAGE = 8


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Trial:
    """One trial, every quantity in SI (columns and units: `trialkit.schema`).

    Attributes
    ----------
    config : TrialConfig
        Title, season, header, setup factors, prices.
    fields, strips, frames, ears, grain, ear_butt_damage, residue : DataFrame
    header_check, stalks, ear_butts : DataFrame
        The rows that passed every check; empty with the right columns when a table is absent.
    refused : DataFrame
        One row per fault: file, line (physical line or sheet row, from 1), column, value, expected.
        Several faults may share a line.
    read : DataFrame
        One row per file: table, file, rows_in, rows_kept, rows_refused, rows_not_filled (nothing
        measured in them yet), notes.
    extra : mapping of table name to DataFrame
        Text of columns that are not the table's, row for row with it.
    source : Path or None
        Where the trial was read from.
    """

    config: TrialConfig
    fields: pd.DataFrame
    strips: pd.DataFrame
    frames: pd.DataFrame
    ears: pd.DataFrame
    grain: pd.DataFrame
    ear_butt_damage: pd.DataFrame
    residue: pd.DataFrame
    header_check: pd.DataFrame
    stalks: pd.DataFrame
    ear_butts: pd.DataFrame
    refused: pd.DataFrame = field(default_factory=no_faults)
    read: pd.DataFrame = field(default_factory=no_reads)
    extra: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    source: Path | None = None
    digest: str = ""

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
        return cls(config=config, **tidied)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table by name."""
        return {name: getattr(self, name) for name in schema.TABLES}

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
        left = self.read[self.read["rows_not_filled"] > 0]
        if left.empty:
            return ""
        parts = [
            f"{'all' if r.rows_not_filled == r.rows_in else f'{r.rows_not_filled:,} of'} "
            f"{_rows(r.rows_in)} in {r.table}"
            for r in left.itertuples()
        ]
        return f"Not filled in yet, and left out until they are: {'; '.join(parts)}."

    def losses(self) -> Losses:
        """Losses by source, per frame, strip and setup."""
        return losses(self.frames, self.ears, self.strips, self.fields, self.config)

    def unlocks(self) -> pd.DataFrame:
        """Which parts of the analysis and the reports the data unlock: part, unlocked, reason."""
        return pd.DataFrame(_parts(self), columns=["part", "unlocked", "reason"])

    def data_hash(self) -> str:
        """SHA-256 (hex) of the source files as read; of the written form for a trial in memory."""
        if self.digest:
            return self.digest
        digest = hashlib.sha256(toml_text(self.config).encode())
        for name, frame in self.tables().items():
            if len(frame):
                digest.update(f"{name}\n{csv_text(frame, name, self.config)}".encode())
        return digest.hexdigest()

    def __repr__(self) -> str:
        rows = ", ".join(
            f"{len(frame)} {name}" for name, frame in self.tables().items() if len(frame)
        )
        refused, waiting = (int(self.read[c].sum()) for c in ("rows_refused", "rows_not_filled"))
        more = f", {_rows(waiting)} not filled in yet" if waiting else ""
        return (
            f"Trial({self.config.title!r}, {self.config.season}: {rows}; {_rows(refused)} "
            f"refused{more})"
        )

    def _repr_html_(self) -> str:
        return _html(self)


def load_trial(path: str | Path, *, harvested: bool = True) -> Trial:
    """Read a trial folder (trial.toml and CSV files) or one workbook (.xlsx).

    Rows at fault are refused with file, line, column, value and what was expected, and stand in
    ``trial.refused``; the rest is used.

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
    intake = read_trial(path, strips=harvested)
    if harvested:
        _require_rows(intake.tables, intake.read, intake.refused, Path(path))
    return Trial(
        config=intake.config,
        refused=intake.refused,
        read=intake.read,
        extra=intake.extra,
        source=Path(path),
        digest=intake.digest,
        **intake.tables,
    )


def _require_rows(
    tables: Mapping[str, pd.DataFrame], read: pd.DataFrame, refused: pd.DataFrame, path: Path
) -> None:
    responses = [name for name, layout in schema.TABLES.items() if layout.response]
    if tables["strips"].empty:
        wanted, what = ["strips"], "no strip"
    elif all(tables[name].empty for name in responses) and not read["rows_not_filled"].any():
        wanted, what = responses, "no row of a response table"
    else:
        return
    if not read["rows_in"].any() and not read["notes"].any():
        raise TrialError(
            f"{path} is still empty. Fill in strips, one row per combine pass, and what was "
            f"counted on them: {', '.join(responses[:-1])} or {responses[-1]}."
        )
    found = read[read["table"].isin(wanted)]
    lines = [f"{path} cannot be used: it holds {what} that could be kept."]
    if found.empty:
        lines.append(f"Add at least one of the tables {', '.join(wanted)}.")
    if not tables["header_check"].empty:
        lines.append(f"Its header check can be read before harvest: trialkit header {path}")
    for row in found.itertuples():
        if row.rows_in:
            lines.append(f"{row.file}: all {row.rows_in:,} rows were refused.")
        else:
            lines.append(f"{row.file} holds no data rows{f' ({row.notes})' if row.notes else ''}.")
    faults = refused[refused["file"].isin(found["file"])]
    alike = faults.groupby(["file", "column", "expected"], sort=False)
    for (file, column, expected), group in list(alike)[:_FAULTS_IN_MESSAGE]:
        first, more = group.iloc[0], len(group) - 1
        lines.append(
            f"  {file}, line {first['line']}{f' and {more:,} more' if more else ''}, "
            f"{column or 'row'}: {first['value']!r}; expected {expected}"
        )
    if len(alike) > _FAULTS_IN_MESSAGE:
        lines.append(f"  and faults of {len(alike) - _FAULTS_IN_MESSAGE:,} more kinds")
    if len(faults):
        lines.append("Correct these rows and read again.")
    raise TrialError("\n".join(lines))


_Part = tuple[str, bool, str]
# What the check of the header reads, told where it was given.
_HEADER = {
    "header check": ("header_check", "header"),
    "stalk diameters": ("stalks", "diameter"),
    "ear-butt diameters": ("ear_butts", "diameter"),
}


def _parts(trial: Trial) -> list[_Part]:
    zones = trial.frames["zone"].value_counts()
    strips, config = trial.strips, trial.config
    header = int(zones.get("header", 0))
    ahead = int(zones.get("preharvest", 0))
    lost = int(trial.frames.loc[trial.frames["zone"].eq("header"), "loose_kernels"].sum())
    fields = strips["field"].nunique()
    priced = config.price_per_t is not None
    tank = trial.residue["taken_at"].ne("behind")
    apart = int(trial.frames["kernels_on_cobs"].notna().sum())
    return [
        _comparison(trial),
        (
            "header loss",
            header > 0 and lost > 0,
            _header_loss(trial, header, ahead, lost),
        ),
        (
            "processing loss",
            header > 0 and zones.get("total", 0) > 0,
            f"frames in zone total: {zones.get('total', 0)}; in zone header: {header}"
            + (
                "; width the residue fell on not given, the header's assumed"
                if width_assumed(trial.frames, strips, config)
                else ""
            ),
        ),
        (
            "threshing and separation apart",
            cobs_counted(trial.frames),
            f"frames in zone total with kernels_on_cobs: {apart} of {zones.get('total', 0)}; "
            "every one is needed",
        ),
        _column(trial, "dropped ears", "ears", "ears"),
        _column(trial, "share of yield", "strips", "yield"),
        _column(trial, "kernel damage", "grain", "kernels_examined"),
        _column(trial, "broken corn", "grain", "sieve_mass"),
        _column(trial, "foreign material", "grain", "foreign_mass"),
        _column(trial, "ears damaged at the butt", "ear_butt_damage", "ears_damaged"),
        _column(trial, "residue by mass", "residue", "residue_mass", tank),
        _column(trial, "residue by score", "residue", "score"),
        _column(trial, "leaves and husks taken in", "residue", "residue_mass", ~tank),
        _column(trial, "test weight", "strips", "test_weight"),
        _column(trial, "moisture as a covariate", "strips", "moisture"),
        _column(trial, "measured speed as a covariate", "strips", "speed_measured"),
        ("comparison of fields", fields > 1, f"{fields} field{'s' * (fields != 1)}"),
        (
            "value of the loss",
            priced,
            f"price in {config.currency}" if priced else "no grain price among the settings",
        ),
        (
            "payback of an option",
            priced and config.option is not None,
            "needs a grain price and an option's cost among the settings"
            if not priced or config.option is None
            else f"cost of {config.option.factor}: {config.option.level}",
        ),
        *_of_header(trial),
    ]


def _header_loss(trial: Trial, header: int, ahead: int, lost: int) -> str:
    if not header:
        return _missing(trial, "frames", "zone header")
    if not lost:
        return (
            f"no kernel was counted in the frames of zone header ({header}), so no setup can be "
            "told from another: count more ground"
        )
    bare = "" if ahead else ", so standing loss cannot be taken off"
    mass = f"{trial.config.thousand_kernel_mass:g} g taken"
    taken = "" if trial.config.kernel_mass_stated else f"; no thousand-kernel mass given, {mass}"
    return f"frames in zone header: {header}; in zone preharvest: {ahead}{bare}{taken}"


def _of_header(trial: Trial) -> list[_Part]:
    """No response, so these parts stand in the list only where there is something to check."""
    given = ((part, int(getattr(trial, t)[c].notna().sum())) for part, (t, c) in _HEADER.items())
    checked = len(trial.header_check) > 0
    several = trial.strips["header"].nunique()
    if several > 1:
        known = trial.strips["header"].isin(trial.header_check["header"])
        parts = [
            (
                "measured gap as a covariate",
                bool(known.all()),
                f"headers named by the strips: {several}; strips whose header was checked: "
                f"{int(known.sum())} of {len(known)}",
            )
        ]
    else:
        parts = []
    why = "trialkit.check_header reads them" if checked else "they need a table header_check"
    return [*parts, *((part, checked, f"rows kept: {n}; {why}") for part, n in given if n)]


def _comparison(trial: Trial) -> _Part:
    setups = len(trial.setups) if trial.setup_factors else 0
    if setups < 2:
        reason = "no setup factor is declared" if not setups else "every strip has the same setup"
        return "comparison of setups", False, f"{reason}; a comparison needs two"
    pairs = trial.strips.groupby(["field", "pair"])[list(trial.setup_factors)]
    complete = sum(len(group.drop_duplicates()) > 1 for _, group in pairs)
    pairs_word = "pair or block" if complete == 1 else "pairs or blocks"
    reason = f"{setups} setups, {complete} {pairs_word} with more than one of them"
    if complete < 2:
        reason += "; a comparison with an interval needs two"
    return "comparison of setups", complete > 1, reason


def _column(
    trial: Trial, part: str, name: str, column: str, rows: pd.Series | None = None
) -> _Part:
    """A part that needs one column of one table, or of some of its rows."""
    values = getattr(trial, name)[column]
    given = int((values if rows is None else values[rows]).notna().sum())
    reason = f"rows with {column}: {given}" if given else _missing(trial, name, f"column {column}")
    return part, given > 0, reason


def _missing(trial: Trial, name: str, what: str) -> str:
    if len(getattr(trial, name)):
        return f"table {name} has no value in {what}"
    row = trial.read[trial.read["table"] == name]
    if row.empty:
        return f"there is no table {name}"
    refused, waiting = (int(row[c].iloc[0]) for c in ("rows_refused", "rows_not_filled"))
    if waiting:
        also = f"; refused: {refused}" if refused else ""
        return f"no row of {name} is filled in yet ({waiting}){also}"
    return (
        f"every row of {name} was refused ({refused})" if refused else f"table {name} has no rows"
    )


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"


def _html(trial: Trial) -> str:
    config, refused = trial.config, int(trial.read["rows_refused"].sum())
    counts = trial.read if trial.to_fill else trial.read.drop(columns="rows_not_filled")
    if counts.empty:
        sizes = {name: len(frame) for name, frame in trial.tables().items() if len(frame)}
        counts = pd.DataFrame({"table": list(sizes), "rows": list(sizes.values())})
    factors = "; ".join(
        f"{factor.label}: {', '.join(factor.level_labels)}" for factor in config.setups
    )
    told = [factors or "No setup factors."]
    faults = ""
    if trial.to_fill:
        told.append(trial.to_fill)
    if refused:
        told.append(f"{_rows(refused)} refused.")
        faults = table(trial.refused, "Refused, the first", rows=5)
    heading = f"{config.title} ({config.season})"
    names = {"rows in": "rows", "rows kept": "kept", "rows refused": "refused",
             "rows not filled": "not filled in yet"}  # fmt: skip
    return card(heading, told, table(counts, names=names), faults)
