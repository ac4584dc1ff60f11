"""What the partitions of one model must agree on before any is laid out.

Two passes over the rows. The first gathers levels of factors, means, and which top-level units
each partition holds (:class:`Seen`); from these every partition codes its columns alike
(:class:`Coding`). The second gathers the columns' moments and triangular factors
(:class:`Moments`), whose cross-products are those of all rows: which columns are spanned by
others, where columns are centred, what their scale is (:class:`Agreed`).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import notes
from trialkit.mixed.chain import build_chain
from trialkit.mixed.crew import Crew
from trialkit.mixed.design import (
    Columns,
    FixedPart,
    all_columns,
    check_finite,
    check_levels,
    formula_variables,
    settled,
)
from trialkit.mixed.levels import check_names
from trialkit.mixed.marginal import Component
from trialkit.mixed.model import (
    Model,
    check_trials,
    free_entries,
    positive_columns,
    random_values,
    way_back,
)
from trialkit.mixed.names import plain
from trialkit.mixed.partitions import Asked, Source
from trialkit.mixed.problem import Entry
from trialkit.mixed.random_part import SlopeColumn, slope_columns

# Rows of each partition on which a formula is tried out.
SAMPLE = 3


@dataclass(frozen=True, slots=True)
class Seen:
    """One partition's rows, levels and units.

    Attributes
    ----------
    factors : per factor its levels as the frame declares them (None of text), and those met.
    sums : per numeric variable its sum.
    sample : the variables of a few rows.
    units : per nested level, coarse to fine up to the first that varies, its labels.
    mark : tells these rows from others.
    """

    rows: int
    dropped: int
    factors: dict[str, tuple[list[Any] | None, list[Any]]]
    sums: dict[str, float]
    sample: dict[str, list[Any]]
    units: dict[str, list[Any]]
    mark: tuple[int, int] = (0, 0)


def _mark(response: Any) -> tuple[int, int]:
    """What tells rows from others, in any order and on any machine: how many, and the sum of their
    responses as bits."""
    bits = np.ascontiguousarray(response, dtype=float).view(np.uint64)
    return len(bits), int(bits.sum())


def see(source: Source, asked: Asked) -> Seen:
    """The first pass over one partition."""
    frame, columns, n = source.used(asked)
    if not n:
        return Seen(0, len(frame), {}, {}, {}, {})
    factors, sums = {}, {}
    for v in asked.variables:
        if isinstance(columns[v], pd.Categorical):
            given = frame[v].dtype
            declared = list(given.categories) if isinstance(given, pd.CategoricalDtype) else None
            factors[v] = declared, list(columns[v].categories)
        else:
            sums[v] = float(np.sum(columns[v], dtype=float))
    units: dict[str, list[Any]] = {}
    for level in asked.nested:
        units[level] = list(pd.unique(columns[level]))
        if len(units[level]) > 1:
            break
    sample = {v: list(columns[v][:SAMPLE]) for v in asked.variables}
    return Seen(n, len(frame) - n, factors, sums, sample, units, _mark(columns[asked.response]))


@dataclass(frozen=True, slots=True)
class Coding:
    """How every partition codes its columns.

    Attributes
    ----------
    nested : the levels kept, coarse to fine.
    levels : per factor of the fixed part and of slopes its levels.
    centres : per numeric variable of the fixed part its mean.
    build : columns of the fixed part, those among them that are spanned by others too.
    names, lengths : of the columns, and how many each term has.
    slopes : per level, finest first, its random columns.
    covariances : kind of each level's covariance, finest first.
    marks : per partition what tells its rows from others.
    """

    asked: Asked
    rows: int
    nested: tuple[str, ...]
    levels: dict[str, list[Any]]
    centres: dict[str, float]
    build: Callable[[Columns, int], np.ndarray]
    names: list[str]
    lengths: list[tuple[str, int]]
    slopes: tuple[tuple[SlopeColumn, ...], ...]
    covariances: dict[str, str]
    notes: tuple[str, ...]
    marks: dict[str, tuple[int, int]]

    def columns(self, source: Source) -> tuple[Columns, int]:
        """A partition's columns, factors with the levels of all.

        Raises
        ------
        ModelError
            Where its rows are others than at first.
        """
        _, columns, n = source.used(self.asked)
        there, _ = mark = self.marks[source.name]
        if _mark(columns[self.asked.response]) != mark:
            raise ModelError(
                f"{source.name} gave other rows than at first ({there} complete ones, then {n}); "
                "it is read several times and must stay as it is meanwhile."
            )
        for v, levels in self.levels.items():
            columns[v] = columns[v].set_categories(levels)
        return columns, n


def code(crew: Crew, asked: Asked) -> Coding:
    """Agree on levels and columns; partitions without a complete row are let go.

    Raises
    ------
    ModelError
        Where the partitions cannot be those of one model.
    """
    check_names(asked.nested, (), asked.slopes, asked.covariance)
    seen = crew.each(see, asked)
    rows, dropped = sum(s.rows for s in seen), sum(s.dropped for s in seen)
    if not rows:
        raise ModelError("no complete row is left to fit.")
    told = [notes.rows_left_out(dropped, rows + dropped)] if dropped else []
    crew.only([s.rows > 0 for s in seen])
    seen = [s for s in seen if s.rows]
    nested = _useful(asked, seen, told)
    if nested:
        _check_apart(nested[0], [s.units[nested[0]] for s in seen], crew.names)
    levels = {v: _levels(v, seen) for v in asked.variables if any(v in s.factors for s in seen)}
    fixed = formula_variables(asked.fixed)
    for v in fixed:
        if v in levels:
            check_levels(v, levels[v])
    sample: Columns = {}
    for v in asked.variables:
        values = list(itertools.chain(*(s.sample[v] for s in seen)))
        own = v in levels
        sample[v] = pd.Categorical(values, categories=levels[v]) if own else np.array(values)
    n = sum(len(s.sample[v]) for s in seen for v in asked.variables[:1])
    own_levels = {v: levels[v] for v in fixed if v in levels}
    build, _, columns, lengths = all_columns(sample, n, asked.fixed, own_levels)
    _check_local(asked.fixed, build, levels)
    covariances = {k: asked.covariance.get(k, "unstructured") for k in reversed(nested)}
    slopes = tuple(
        tuple(slope_columns(sample, asked.slopes.get(k, ()), kind))
        for k, kind in covariances.items()
    )
    centres = {v: sum(s.sums[v] for s in seen) / rows for v in fixed if v not in levels}
    return Coding(asked, rows, nested, levels, centres, build, columns, lengths, slopes,
                  covariances, tuple(told),
                  {name: s.mark for name, s in zip(crew.names, seen, strict=True)})  # fmt: skip


def _useful(asked: Asked, seen: Sequence[Seen], told: list[str]) -> tuple[str, ...]:
    """Nested levels without the outermost ones that are a single unit."""
    nested = list(asked.nested)
    while nested:
        labels = {label for s in seen for label in s.units[nested[0]]}
        if len(labels) > 1:
            break
        told.append(notes.single_unit(nested[0], asked.slopes.get(nested[0], ())))
        del nested[0]
    return tuple(nested)


def _check_apart(level: str, units: Sequence[Sequence[Any]], names: Sequence[str]) -> None:
    """A top-level unit lies in one partition only."""
    known: dict[Any, str] = {}
    for name, labels in zip(names, units, strict=True):
        for label in labels:
            if label in known:
                plain = label.item() if isinstance(label, np.generic) else label
                raise ModelError(
                    f"{level!r} {plain!r} is in {known[label]} and in {name}; put all rows of a "
                    f"{level!r} into one partition, or give the two different names."
                )
            known[label] = name


def _levels(variable: str, seen: Sequence[Seen]) -> list[Any]:
    """Levels of a factor in all partitions: as declared where all declare the same, else sorted."""
    if any(variable not in s.factors for s in seen):
        raise ModelError(
            f"{variable!r} holds numbers in one partition and text in another; make them alike."
        )
    declared = [s.factors[variable][0] for s in seen]
    met = {level for s in seen for level in s.factors[variable][1]}
    if declared[0] is not None and all(d == declared[0] for d in declared):
        return [level for level in declared[0] if level in met]
    return sorted(met)


def _check_local(fixed: str, build: Any, levels: dict[str, list[Any]]) -> None:
    """A row's columns must follow from the row alone."""
    spec = getattr(build, "spec", None)
    if spec is None:
        return
    state = [plain(str(name)) for name in spec.transform_state]
    known = [set(own) for own in levels.values()]
    for name, (_, encoded) in spec.encoder_state.items():
        if encoded.get("categories") is not None and set(encoded["categories"]) not in known:
            state.append(plain(str(name)))
    if state:
        raise ModelError(
            f"{', '.join(map(repr, state))} in the fixed part {fixed!r} depends on all rows "
            f"together, which partitions do not see; make that column before fitting."
        )


def triangular(columns: np.ndarray) -> np.ndarray:
    """An upper triangular matrix with the cross-products of ``columns``."""
    return np.asarray(np.linalg.qr(columns, mode="r"))


@dataclass(frozen=True, slots=True)
class Moments:
    """Of a partition's fixed columns, and per level (finest first) of its random ones.

    ``factor`` and ``random`` are triangular: their cross-products are those of the rows.
    """

    rows: int
    factor: np.ndarray
    low: np.ndarray
    high: np.ndarray
    mean: np.ndarray
    spread: np.ndarray
    random: tuple[np.ndarray, ...]
    random_low: tuple[np.ndarray, ...]
    random_high: tuple[np.ndarray, ...]


def measure(source: Source, coding: Coding) -> Moments:
    """The second pass over one partition."""
    columns, n = coding.columns(source)
    full = np.asarray(coding.build(columns, n), dtype=float)
    check_finite(full, coding.names)
    mean = full.mean(axis=0)
    z = [np.column_stack([c.values(columns, n) for c in own]) for own in coding.slopes]
    return Moments(
        n, triangular(full), full.min(axis=0), full.max(axis=0), mean,
        ((full - mean) ** 2).sum(axis=0), tuple(triangular(v) for v in z),
        tuple(v.min(axis=0) for v in z), tuple(v.max(axis=0) for v in z),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Agreed:
    """The design of all partitions.

    Attributes
    ----------
    part : its rows ``x`` are a triangular factor of the columns.
    centre, scale : of every column of ``part``; zero and one for constant ones.
    random : per level (finest first) rows whose mean products are those of all rows.
    """

    coding: Coding
    part: FixedPart
    centre: np.ndarray
    scale: np.ndarray
    to_original: np.ndarray
    random: tuple[np.ndarray, ...]
    entries: tuple[Entry, ...]
    theta_scale: np.ndarray
    components: tuple[Component, ...]
    notes: tuple[str, ...]

    def lay_out(self, source: Source) -> Model:
        """One partition's rows as a model, its response not looked at yet."""
        coding, asked = self.coding, self.coding.asked
        columns, n = coding.columns(source)
        chain = build_chain(columns, n, coding.nested)
        full = np.asarray(coding.build(columns, n), dtype=float)[chain.order]
        x = full[:, self.part.keep]
        x -= self.centre
        x /= self.scale
        given = {"trials": asked.trials, "exposure": asked.exposure, "weights": asked.weights}
        size, area, weight = positive_columns(columns, chain, given)
        if asked.family.link == "logit":
            check_trials(size, asked.trials)
        model = Model(
            columns=columns, response=asked.response, fixed=asked.fixed, family=asked.family,
            chain=chain, part=self.part, x=x, to_original=self.to_original, slopes=coding.slopes,
            z=tuple(random_values(columns, chain, coding.slopes)), covariances=coding.covariances,
            entries=self.entries, theta_scale=self.theta_scale, components=self.components,
            size=size, offset=np.log(area), weight=weight,
        )  # fmt: skip
        return model

    def response(self, model: Model) -> np.ndarray:
        """A partition's responses in chain order; they must suit the family."""
        y = np.asarray(model.columns[self.coding.asked.response], dtype=float)[model.chain.order]
        model.check_response(y)
        return y


def agree(crew: Crew, asked: Asked) -> Agreed:
    """Both passes over all partitions.

    Raises
    ------
    ModelError
        As :func:`trialkit.mixed.fit_mixed` does.
    """
    coding = code(crew, asked)
    moments: list[Moments] = crew.each(measure, coding)
    own = {v: coding.levels[v] for v in formula_variables(asked.fixed) if v in coding.levels}
    part = settled(
        triangular(np.vstack([m.factor for m in moments])), asked.fixed, own, coding.centres,
        coding.build, coding.names, coding.lengths,
    )  # fmt: skip
    dropped = [notes.columns_dropped(part.aliased)] if part.aliased else []
    n, p = coding.rows, len(part.names)
    if n <= p:
        raise ModelError(f"{n} rows cannot estimate {p} fixed effects and a variance.")
    centre, scale, back = _standard(moments, part.keep, n)
    factors = zip(*(m.random for m in moments), strict=True)
    random = tuple(triangular(np.vstack(each)) for each in factors)
    _check_slopes(coding, moments)
    size = [np.sqrt((r**2).sum(axis=0) / n) for r in random]
    entries, theta_scale, components = free_entries(coding.slopes, size, coding.covariances)
    random = tuple(r * np.sqrt(len(r) / n) for r in random)
    return Agreed(coding, part, centre, scale, back, random, tuple(entries), theta_scale,
                  tuple(components), (*coding.notes, *dropped))  # fmt: skip


def _standard(
    moments: Sequence[Moments], keep: np.ndarray, n: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre and scale of the columns kept, and the way back to the user's."""
    low = np.min([m.low[keep] for m in moments], axis=0)
    high = np.max([m.high[keep] for m in moments], axis=0)
    rows = np.array([[m.rows] for m in moments], dtype=float)
    means = np.array([m.mean[keep] for m in moments])
    mean = (rows * means).sum(axis=0) / n
    constant = np.flatnonzero(low == high).tolist()
    centre = mean if constant else np.zeros(len(keep))
    square = np.sum([m.spread[keep] for m in moments], axis=0)
    square = square + (rows * (means - centre) ** 2).sum(axis=0)
    scale = np.sqrt(square / n)
    centre[constant], scale[constant] = 0.0, 1.0
    return centre, scale, way_back(centre, scale, constant, low)


def _check_slopes(coding: Coding, moments: Sequence[Moments]) -> None:
    """A variable with slopes varies."""
    for lev, (level, columns) in enumerate(zip(coding.covariances, coding.slopes, strict=True)):
        low = np.min([m.random_low[lev] for m in moments], axis=0)
        high = np.max([m.random_high[lev] for m in moments], axis=0)
        for variable in dict.fromkeys(c.variable for c in columns if c.variable is not None):
            mine = [j for j, c in enumerate(columns) if c.variable == variable]
            if (low[mine] == high[mine]).all():
                raise ModelError(
                    f"{variable!r} is {low[mine[0]]:g} in every row used: its slopes by {level!r} "
                    f"cannot be told from the intercepts; leave them out."
                )
