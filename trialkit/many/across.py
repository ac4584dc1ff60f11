"""One model of a response over many trials.

The response has the family of its specification; trial, field, pair and strip (and the row, of
counts) have normal effects wherever they have several units, and a setup's effect varies between
trials and between the fields of a trial where there are at least three of them. Effects are on the
model's scale: logarithms of ratios, of odds ratios, or differences. For header loss that is the
scale of the counts behind the header, the loss before harvest included.

Predictions of fields, of growers' fields and of a field of the next trial are averaged over the
spread between trials and fields, under a prior whose scale the fit itself gives
(`trialkit.analysis.averaged`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse

from trialkit.analysis.averaged import Averaged, averaged
from trialkit.analysis.predictions import Shared, UnitInformation, unit_information
from trialkit.analysis.questions.fields import (
    SAME,
    level_contrasts,
    pooled_effect,
    raw_effects,
    same_direction,
    slope_turns,
)
from trialkit.errors import ModelError
from trialkit.facts import Grade
from trialkit.many.explained import ENOUGH, UNITS, explained
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.words import many as words

if TYPE_CHECKING:
    from trialkit.analysis.specifications import Specification

MEAN = "mean"
"""In place of a factor's name: the response itself, mean over setups."""


@dataclass(frozen=True, slots=True)
class AcrossTrials:
    """The model over all trials and what it says; tables as `trialkit.many` describes."""

    fit: MixedFit
    effects: pd.DataFrame
    by_trial: pd.DataFrame
    by_field: pd.DataFrame
    growers: pd.DataFrame
    explained: pd.DataFrame
    notes: tuple[str, ...]
    most: Grade | None = None
    """The strongest grade that may be told where the model had to take effects to be alike."""


def across_trials(
    rows: pd.DataFrame,
    spec: Specification,
    factors: Mapping[str, Sequence[str]],
    level: float,
    progress: Callable[[str], None],
) -> AcrossTrials:
    """Fit the model over all trials.

    Parameters
    ----------
    rows : DataFrame
        One row a measurement: ``trial, field, pair, strip`` (labels unique over all trials),
        ``place, grower, season, hybrid, moisture, speed_measured``, the factors, and the columns
        the specification's family is told of; ``latitude, longitude`` where known.
    spec : Specification
    factors : mapping of str to sequence of str
        Levels, reference first.
    """
    data = rows.copy(deep=False)  # columns are added, none is written to
    for name, levels in factors.items():
        data[name] = pd.Categorical(data[name], categories=list(levels))
    data["row"] = np.arange(len(data))
    names = list(factors)
    notes: list[str] = []
    most: Grade | None = None
    nested, sloped = _layout(data, names)

    def fitted(
        table: pd.DataFrame, fixed: str, levels: Sequence[str], slopes: Mapping[str, list[str]],
        crossed: Sequence[str] = (),
    ) -> MixedFit:  # fmt: skip
        return fit_mixed(
            table, fixed=fixed, nested=list(levels), slopes=dict(slopes), crossed=list(crossed),
            covariance=dict.fromkeys(slopes, "exchangeable"), method="reml", **spec.law,
        )  # fmt: skip

    progress(words.fitting(len(data)))
    own = [] if spec.law["family"] == "gaussian" else ["row"]
    fixed = " + ".join(names)
    try:
        fit = fitted(data, fixed, [*nested, *own], dict.fromkeys(sloped, names))
    except ModelError as error:
        if not sloped:
            raise
        notes.append(words.same_everywhere(str(error)))
        # Intervals and p then leave out how effects differ, which may be most of what there is.
        sloped, most = [], Grade.LEANING
        fit = fitted(data, fixed, [*nested, *own], {})
    progress("Predicting every field")
    effects, by_field, growers = _Answers(fit, data, factors, nested, level).tables()
    by_trial = _by_trial(fit, data, factors, level)
    if len(growers) and (apart := int((growers["low"].gt(0) | growers["high"].lt(0)).sum())):
        notes.append(words.growers_apart(apart, len(growers), level))
    if data["trial"].nunique() < ENOUGH:
        notes.append(words.two_trials())
    elif not sloped:
        notes.append(words.spread_not_known())
    table, reasons = explained(data, spec, names, nested, sloped, fitted, level, progress)
    notes += reasons
    notes += [f"{n[:1].upper()}{n[1:].rstrip('.')}." for n in fit.notes]
    notes = list(dict.fromkeys(notes))
    return AcrossTrials(fit, effects, by_trial, by_field, growers, table, tuple(notes), most)


def _by_trial(
    fit: MixedFit, data: pd.DataFrame, factors: Mapping[str, Sequence[str]], level: float
) -> pd.DataFrame:
    """The effect in every trial, mean over its own pairs."""
    # Trials of one field each are no level of their own in the fit: the field stands for the trial.
    unit = "trial" if "trial" in fit.rows else "field"
    once = data.drop_duplicates(unit)
    trials = pd.Series(once["trial"].to_numpy(object), once[unit].astype(str))
    parts = []
    for name, (reference, *others) in factors.items():
        for other in others:
            own = raw_effects(fit, name, other, reference, [unit], ["pair"], level)
            key = {"factor": name, "level": other, "reference": reference}
            named = own[unit].map(trials).to_frame("trial").assign(**key)
            parts.append(named.join(own.drop(columns=unit)))
    return pd.concat(parts, ignore_index=True)


def _layout(data: pd.DataFrame, names: list[str]) -> tuple[list[str], list[str]]:
    """Levels that split their parents, coarse to fine; those whose units differ in the effect."""
    counts = {unit: data[unit].nunique() for unit in ("trial", "field", "pair", "strip")}
    if counts["trial"] == counts["field"]:
        del counts["trial"]
    nested: list[str] = []
    coarser = 1
    for unit, count in counts.items():
        if coarser < count < len(data):
            nested.append(unit)
            coarser = count
    strips = data.drop_duplicates("strip")
    more: dict[str, int] = {}  # units beyond those of the coarser level
    coarser = 0
    for unit in (u for u in UNITS if u in nested):
        repeated = all(strips.groupby([unit, n], observed=True).ngroups < len(strips)
                       for n in names)  # fmt: skip
        if repeated:
            more[unit] = counts[unit] - coarser
        coarser = counts[unit]
    # Effects in two fields or trials may differ as those in many do: the same everywhere is no
    # honest model of them, though two hardly tell how much.
    least = ENOUGH if max(more.values(), default=0) >= ENOUGH else 2
    sloped = [unit for unit, n in more.items() if n >= least]
    return nested, sloped


class _Answers:
    """Everything read off the fit: mean effects, every field, growers, the next trial's field."""

    def __init__(
        self, fit: MixedFit, data: pd.DataFrame, factors: Mapping[str, Sequence[str]],
        nested: Sequence[str], level: float,
    ) -> None:  # fmt: skip
        self.fit, self.factors, self.level = fit, factors, level
        self.strips = data["strip"].nunique()
        self.trials = data["trial"].nunique()
        given = [c for c in ("latitude", "longitude") if c in data and data[c].notna().any()]
        of_field = ["trial", "field", "place", "grower", "season", *given]
        labels = dict.fromkeys(("trial", "field", "place"), str)
        self.places = data.drop_duplicates("field")[of_field].astype(labels)
        kept = [u for u in UNITS if u in nested]
        self.found: UnitInformation | None = unit_information(fit, kept) if kept else None
        # Unit of every field at each kept level.
        self.unit = {
            u: pd.Index(table[u].astype(str)).get_indexer(self.places[u])
            for u, table in (self.found.labels if self.found else {}).items()
        }
        self.growers = _own_and_rest(self.places)
        # By this many df were the variances within fields estimated.
        fields, pairs = len(self.places), data["pair"].nunique()
        setups = len(data.drop_duplicates(list(factors)))
        self.within = max(self.strips - pairs - fields * (setups - 1), 1)

    def tables(self) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Effects, effects by field, and growers' fields against the others'."""
        effects, fields = [], []
        compared: list[pd.DataFrame] = []
        for name, levels in self.factors.items():
            reference, *others = levels
            contrasts = level_contrasts(self.fit, name, list(self.factors))
            if self.found and len(self.growers) and not compared:  # once: the response itself
                middle = np.mean(list(contrasts.values()), axis=0)
                first = {u: np.eye(k)[0] for u, k in self.found.widths.items()}
                own_fields = self._averaged(None, middle, first, fields=False)
                compared.append(self._growers(MEAN, "", own_fields))
            for other in others:
                row = contrasts[other] - contrasts[reference]
                turns = {u: _turn(self.fit, u, name, other, reference) for u in self.unit}
                key = {"factor": name, "level": other, "reference": reference}
                own = raw_effects(self.fit, name, other, reference, ["field"], ["pair"], self.level)
                table = self.places.merge(own, on="field", how="left")
                found = self._averaged(name, row, turns) if self.found else None
                effects.append(key | self._mean(row, turns, found, len(levels)))
                if found is not None:
                    n = len(self.places)
                    table = table.assign(shrunken=found.estimate[:n], se=found.se[:n],
                                         low=found.low[:n], high=found.high[:n])  # fmt: skip
                    # Without a spread of effects growers' own are the same by assumption.
                    if len(self.growers) and any(t.any() for t in turns.values()):
                        compared.append(self._growers(name, other, found))
                for column, value in reversed(key.items()):
                    table.insert(0, column, value)
                fields.append(table)
        by_field = pd.concat(fields, ignore_index=True)
        by_field["field"] = by_field.pop("place")
        grower_table = pd.concat(compared, ignore_index=True) if compared else pd.DataFrame()
        return pd.DataFrame(effects), by_field, grower_table

    def _averaged(
        self, factor: str | None, row: np.ndarray, turns: Mapping[str, np.ndarray],
        fields: bool = True,
    ) -> Averaged:  # fmt: skip
        """In every field, if so asked; for every grower, own fields less the rest; in the next
        trial's field."""
        assert self.found is not None
        names = self.fit.model.chain.names
        vary = {}
        for unit in self.unit:
            columns = self.fit.model.slopes[names.index(unit)]
            mask = np.array([c.variable == factor for c in columns])
            if mask.any():
                vary[unit] = mask
        n, own = len(self.places), self.growers
        shown = n if fields else 0
        # Own fields' mean less the others' is more than once the own fields, less all there are.
        over = sparse.vstack([sparse.eye_array(shown, n), own.over, sparse.csr_array((2, n))])
        units, shared = {}, {}
        for u, turn in turns.items():
            k = len(self.found.labels[u])
            member = sparse.csr_array((np.ones(n), (np.arange(n), self.unit[u])), shape=(n, k))
            units[u] = sparse.kron(over @ member, turn[None])
            shared[u] = np.outer(np.bincount(self.unit[u], own.code >= 0, k), turn)
        fixed = np.vstack([np.tile(row, (shown, 1)), np.zeros((len(own), len(row))), row, row])
        last = (np.arange(len(fixed)) == len(fixed) - 1)[:, None]
        new = {u: last * turn for u, turn in turns.items()}
        se = float(self.fit.linear(row[None, :])["se"].iloc[0])
        rest = Shared(np.r_[np.zeros(shown), -own.rest, 0.0, 0.0], shared)
        return averaged(
            self.found, vary, fixed, units, new, np.sqrt(n) * se, self.within, self.level, rest
        )

    def _mean(
        self, row: np.ndarray, turns: Mapping[str, np.ndarray], found: Averaged | None, levels: int
    ) -> dict[str, float]:
        """Mean effect, its spread between trials and between fields, and the next trial's field."""
        fit, names = self.fit, self.fit.model.chain.names
        none = np.zeros(fit.model.z[0].shape[1])
        out = pooled_effect(fit, row, none, names[0], self.strips - levels, self.level)
        variance = {u: float(t @ fit.covariances[names.index(u)] @ t) for u, t in turns.items()}
        out |= {f"sd_{u}": float(np.sqrt(max(variance.get(u, 0.0), 0.0))) for u in UNITS}
        del out["sd"]
        out |= dict.fromkeys(SAME, np.nan) | {"predicted_low": -np.inf, "predicted_high": np.inf}
        varies = any(turn.any() for turn in turns.values())
        if found is not None and varies and self.trials >= ENOUGH:
            shares = (found.positive, found.share_low, found.share_high)
            out |= same_direction([float(s[-1]) for s in shares], out["estimate"])
            out |= {"predicted_low": float(found.low[-1]),
                    "predicted_high": float(found.high[-1])}  # fmt: skip
        return out | {"n_trials": self.trials, "n_fields": len(self.places)}

    def _growers(self, factor: str, other: str, found: Averaged) -> pd.DataFrame:
        """Own fields against the others'."""
        names = self.growers.names
        own = slice(-2 - len(names), -2)
        return pd.DataFrame(
            {"grower": names, "factor": factor, "level": other, "n_fields": self.growers.n,
             "n_other_fields": self.growers.all - self.growers.n,
             "difference": found.estimate[own], "se": found.se[own], "low": found.low[own],
             "high": found.high[own]}
        )  # fmt: skip


def _turn(fit: MixedFit, unit: str, factor: str, level: str, reference: str) -> np.ndarray:
    turns = slope_turns(fit, unit, factor)
    return turns[level] - turns[reference]


@dataclass(frozen=True, slots=True)
class _Growers:
    """Growers with fields of others beside their own.

    Attributes
    ----------
    names : list of str
    n : ndarray, fields of each.
    all : int
        Fields whose grower is known.
    code : ndarray, shape (fields,)
        Which of them a field's is, -1 where that is not known.
    """

    names: list[str]
    n: np.ndarray
    all: int
    code: np.ndarray

    def __len__(self) -> int:
        return len(self.names)

    @property
    def rest(self) -> np.ndarray:
        """Weight of each of the others' fields."""
        return 1.0 / (self.all - self.n)

    @property
    def over(self) -> sparse.csr_array:
        """Weights over fields, shape (growers, fields), that with `rest` off all known fields are
        the own mean less that of the others."""
        at = np.flatnonzero(self.code >= 0)
        weight = (1.0 / self.n + self.rest)[self.code[at]]
        return sparse.csr_array((weight, (self.code[at], at)), shape=(len(self), len(self.code)))


def _own_and_rest(places: pd.DataFrame) -> _Growers:
    """None where fewer than two are named."""
    code, names = pd.factorize(places["grower"].astype(object), sort=True)
    n = np.bincount(code[code >= 0], minlength=len(names))
    if len(names) < 2:
        return _Growers([], np.zeros(0, int), 0, np.full(len(places), -1))
    return _Growers([str(name) for name in names], n, int(n.sum()), code)
