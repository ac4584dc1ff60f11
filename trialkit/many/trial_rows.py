"""What a comparison of many trials needs of one: its strips and rows of a response as columns."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import joblib
import numpy as np
import pandas as pd

from trialkit.analysis.specifications import Specification
from trialkit.errors import ClusterError, TrialkitError
from trialkit.intake import SetupFactor, TrialConfig
from trialkit.losses import loss_by_strip
from trialkit.many.lost import LostOfTrial, lost_of
from trialkit.many.sources import Part, Source, size_of
from trialkit.mapping import mapped
from trialkit.responses import schema
from trialkit.responses.behind_machine import cobs_counted
from trialkit.simulate import is_simulated
from trialkit.trial import Trial
from trialkit.words import cluster, readings
from trialkit.words import many as words
from trialkit.words.grain import kernel_mass_taken

OF_FIELD = ("grower", "hybrid", "row_spacing", "latitude", "longitude")
"""What the strips have of the fields table."""
MANY = 50
"""From so many trials on several processes read them, unless told otherwise: less would not pay
for starting them."""
TOGETHER = 20
"""Trials of one piece of work."""


Places = tuple[tuple[str, str], ...]
Columns = dict[str, np.ndarray]
"""Of a table: in frames of a dozen rows most of the time of reading would go into making frames."""


@dataclass(frozen=True, slots=True, eq=False)
class TrialRows:
    """A trial as columns.

    Attributes
    ----------
    name, title : str
    season : int
    growers_agreed : bool
    setups : tuple of SetupFactor
        Setup factors with their levels and references, as the trial names them.
    config : TrialConfig
        All it states of itself: prices, what is bought, the header.
    data_hash : str
        Of its files: two trials with one are the same.
    rows_refused : int
    simulated : bool
    notes : tuple of str
        What had to be assumed of it.
    scale : float
    unit : str
        A strip's total over size (or mean) times `scale` is its measured value in `unit`.
    strips : dict of str to ndarray
        By column, every strip with rows: ``strip, field, pair``, the setup factors, ``moisture``
        (%), ``speed_measured`` (km/h), ``grower, hybrid, row_spacing`` (m),
        ``latitude, longitude``; ``kg_ha, se_kg_ha``, the strip's loss and its standard error, for
        a response that is a loss.
    rows : dict of str to ndarray
        The response's rows: ``strip``, and the response with its size, or ``value``.
    lost : LostOfTrial or None
        What it lost of its strips; None for nothing.
    """

    name: str
    title: str
    season: Any
    growers_agreed: bool
    setups: tuple[SetupFactor, ...]
    config: TrialConfig
    data_hash: str
    rows_refused: int
    simulated: bool
    notes: tuple[str, ...]
    scale: float
    unit: str
    strips: Columns
    rows: Columns
    lost: LostOfTrial | None = None

    @property
    def places(self) -> Places:
        """Grower ("" where none is named) and field of each of its fields."""
        pairs = zip(self.strips["grower"].tolist(), self.strips["field"].tolist(), strict=True)
        return tuple(dict.fromkeys(("" if pd.isna(g) else str(g), str(f)) for g, f in pairs))

    def left(self, kind: str, reason: str) -> NotUsed:
        """The same as a trial that is not used."""
        n = len(self.strips["strip"])
        return NotUsed(self.name, kind, reason, self.data_hash, self.season, n, self.places)


@dataclass(frozen=True, slots=True)
class NotUsed:
    """A trial that is not compared: its name, kind and reason, and, where it could be read, what it
    was read from, its season, strips, and grower and field of each of its fields."""

    name: str
    kind: str
    reason: str
    data_hash: str = ""
    season: int | None = None
    n_strips: int | None = None
    places: Places = ()


def no_rows(trial: Trial, spec: Specification) -> str:
    """Why a trial holds nothing of the response; empty where it does."""
    if len(spec.rows(trial.tables)):
        return ""
    reason = words.no_data(spec.title)
    given = spec.expected or spec.given(trial.tables)
    reason = spec.absent if given and spec.absent else reason
    return f"{reason} {trial.to_fill}".rstrip()


def unreadable(error: Exception, here: bool = False) -> str:
    """Why a trial cannot be read.

    Parameters
    ----------
    error : Exception
    here : bool
        Whether it is read by this machine and nothing is kept: then a trial that takes more memory
        than there is costs only itself.

    Raises
    ------
    ClusterError
        When memory ran out elsewhere: that is nothing of the trial's, and others would read it.
    """
    if isinstance(error, MemoryError) and not here:
        raise ClusterError(cluster.no_memory()) from error
    if isinstance(error, TrialkitError):
        return str(error)
    return readings.unexpected(type(error).__name__, str(error))


def trial_rows(
    name: str, trial: Trial, spec: Specification, whole: Trial | None = None
) -> TrialRows | NotUsed:
    """What a comparison needs of a trial (`Trial.used`) but losses, or why it has nothing; `whole`
    is the trial as it was handed in, of which strips may have been lost."""
    digest, rows, config = trial.data_hash(), spec.rows(trial.tables), trial.config
    if rows.empty:
        fields = trial.fields
        named = zip(fields["grower"].tolist(), fields["field"].tolist(), strict=True)
        places = tuple(("" if pd.isna(g) else str(g), str(f)) for g, f in named)
        return NotUsed(name, "no data", no_rows(trial, spec), digest, config.season,
                       len(trial.strips), places)  # fmt: skip
    scale = spec.scale(rows, trial.tables, config)
    taken = spec.table == "frames" and not config.kernel_mass_stated
    return TrialRows(
        name, config.title, config.season, config.growers_agreed, tuple(config.setups), config,
        digest, int(trial.read["rows_refused"].sum()), is_simulated(trial),
        (kernel_mass_taken(),) if taken else (),
        float(scale.value), scale.unit, _strips(trial, rows), _measured(rows, spec),
        lost_of(trial if whole is None else whole, spec.response, rows["strip"].tolist()),
    )  # fmt: skip


def _strips(trial: Trial, rows: pd.DataFrame) -> Columns:
    measured = set(rows["strip"].tolist())
    kept = [i for i, name in enumerate(trial.strips["strip"].tolist()) if name in measured]
    columns = ["strip", "field", "pair", *trial.setup_factors, "moisture", "speed_measured"]
    out = {c: _values(trial.strips[c])[kept] for c in columns}
    # A field without a row of its own is at -1: one row more, of nothing known.
    place = {name: i for i, name in enumerate(trial.fields["field"].tolist())}
    of = [place.get(name, -1) for name in out["field"]]
    return out | {c: np.append(_values(trial.fields[c]), np.nan)[of] for c in OF_FIELD}


def _measured(rows: pd.DataFrame, spec: Specification) -> Columns:
    out = {"strip": _values(rows["strip"])}
    if spec.table == "strips":
        return out | {"value": rows[spec.response].to_numpy(float)}
    kind = int if spec.family == "binomial" else None
    counted = (spec.response, *([spec.size] if spec.size else []))
    return out | {c: rows[c].to_numpy(kind) for c in counted}


def _values(column: pd.Series) -> np.ndarray:
    return column.to_numpy(object if column.dtype == schema.TEXT else None)


def _of_parts(
    parts: Sequence[Part], spec: Specification, here: bool = True
) -> list[TrialRows | NotUsed]:
    """Every trial of some parts. Whatever one of them provokes is named, so that it costs only
    itself; `here` as of `unreadable`.
    """
    out: list[TrialRows | NotUsed] = []
    alike: dict[tuple[Any, ...], dict[int, Trial]] = {}
    for name, found in (pair for part in parts for pair in part.trials()):
        try:
            if isinstance(found, Exception):
                raise found
            trial = found.used
            out.append(trial_rows(name, trial, spec, found))
            if spec.source and isinstance(out[-1], TrialRows):
                alike.setdefault(_batch(trial, spec, len(out)), {})[len(out) - 1] = trial
        except Exception as error:
            out.append(NotUsed(name, "unreadable", unreadable(error, here)))
    for trials in alike.values():
        try:
            _add_losses(out, trials, spec)
        except Exception:
            for i, trial in trials.items():
                try:
                    _add_losses(out, {i: trial}, spec)
                except Exception as error:
                    out[i] = NotUsed(out[i].name, "unreadable", unreadable(error, here))
    return out


def _batch(trial: Trial, spec: Specification, number: int) -> tuple[Any, ...]:
    """Alike for trials whose losses can be reckoned together without looking at one another."""
    assert spec.source
    if spec.source[1] != "kernels":  # ears borrow their mass from the trial's others
        return (number,)
    header = trial.config.header
    return (trial.config.thousand_kernel_mass, header.width, header.discharge_width,
            cobs_counted(trial.frames))  # fmt: skip


def _add_losses(
    rows: list[TrialRows | NotUsed], trials: Mapping[int, Trial], spec: Specification
) -> None:
    """Give the strips of trials, by their place among all, loss and standard error."""
    assert spec.source
    several = len(trials) > 1
    config = next(iter(trials.values())).config
    frames, ears, strips = (_together(trials, name) for name in ("frames", "ears", "strips"))
    found = loss_by_strip(frames, ears, strips, config, *spec.source)
    for i in trials:
        table = rows[i].strips  # type: ignore[union-attr]
        own = [f"{i}\0{name}" for name in table["strip"]] if several else table["strip"]
        table["kg_ha"], table["se_kg_ha"] = found.reindex(own).to_numpy(dtype=float).T


def _together(trials: Mapping[int, Trial], name: str) -> pd.DataFrame:
    """A table of several trials; strips and fields have the trial's place before their name."""
    tables = [trial.tables[name] for trial in trials.values()]
    out = pd.concat(tables, ignore_index=True)
    if len(tables) > 1:
        marks = np.array([f"{i}\0" for i in trials], dtype=object)
        marks = np.repeat(marks, [len(table) for table in tables])
        named = [c for c in ("strip", "field") if c in out]
        out = out.assign(**{c: pd.Series(marks, dtype=schema.TEXT) + out[c] for c in named})
    return out


def _in_pieces(parts: Sequence[Part]) -> list[list[Part]]:
    """Parts read together: some trials each, whose losses are then reckoned at one go."""
    out: list[list[Part]] = []
    size = TOGETHER
    for part in parts:
        if size >= TOGETHER:
            out.append([])
            size = 0
        out[-1].append(part)
        size += size_of(part)
    return out


def read_rows(
    source: Source, spec: Specification, tell: Callable[[str], None], client: Any = None,
    jobs: int | None = None,
) -> tuple[list[TrialRows], list[NotUsed], int]:  # fmt: skip
    """Trials with rows of the response; the others, with reasons; how many were found.

    Parameters
    ----------
    tell : callable
        Told how far it is; no name is among that.
    client, jobs
        As `trialkit.mapping.mapped` takes them; without `jobs`, one process for each processor
        where there are many trials.
    """
    parts = source.parts()
    pieces = _in_pieces(parts)
    n = sum(size_of(part) for part in parts)
    if jobs is None:
        jobs = joblib.cpu_count() if n >= MANY and len(pieces) > 1 else 1
    used: list[TrialRows] = []
    skipped = [NotUsed(*one) for one in source.skipped]
    seen: dict[str, str] = {}
    work = partial(_of_parts, spec=spec, here=client is None)
    read = mapped(work, pieces, client=client, jobs=jobs)
    found: Iterable[TrialRows | NotUsed] = _counted(read, pieces, n, tell)
    if rank := getattr(source, "rank", None):  # a store's parts hold trials in any order
        found = sorted(found, key=lambda one: rank[one.name])
    for one in found:
        first = seen.setdefault(one.data_hash, one.name) if one.data_hash else one.name
        if first != one.name:
            told = words.same_files(first)
            known = one.left("repeated", told) if isinstance(one, TrialRows) else one
            skipped.append(replace(known, kind="repeated", reason=told))
        elif isinstance(one, NotUsed):
            skipped.append(one)
        else:
            used.append(one)
    return used, skipped, n


def _counted(
    read: Iterator[list[TrialRows | NotUsed]], pieces: Sequence[Sequence[Part]], n: int,
    tell: Callable[[str], None],
) -> Iterator[TrialRows | NotUsed]:  # fmt: skip
    """The trials of every piece, telling how many there were."""
    done = 0
    for piece in pieces:
        tell(words.reading(done + 1, n))
        yield from next(read)
        for part in piece:
            done += size_of(part)
            if part is not piece[-1]:
                tell(words.reading(done + 1, n))
