"""What a trial's strips allow to be compared, and the model that follows from their layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.analysis.covariates import (
    SPARE_DF,
    choose_covariates,
    joined,
    spare,
    spare_within,
)
from trialkit.analysis.strata import Stratum, set_on, stratum
from trialkit.analysis.thin import note_thin
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.quantities import upper_first
from trialkit.words import design as words
from trialkit.words import said, say

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor, TrialConfig

SLOPE_FIELDS = 3


@dataclass(frozen=True, slots=True)
class Design:
    """A trial's layout as its strips show it.

    Attributes
    ----------
    factors : tuple of SetupFactor
        Those that take at least two levels, in the trial's order.
    levels : dict
        Factor name to the levels present, reference first.
    strips : DataFrame
        The strips used, with a centred column of every covariate (`covariates.KNOWN`).
    covariates : tuple of str
        Centred columns that comparisons are adjusted for.
    interactions : tuple of (str, str)
    nested : tuple of str
        Random levels coarse to fine, the frame or sample level not included.
    slope_factors : tuple of str
        Factors whose effect varies between fields in the model.
    strata : dict
        Factor name to its error stratum: the units it was set on and their degrees of freedom.
    layout : Note
        What it is called (`kind`).
    why, notes : tuple of Note
        The reason for each part of the model; what was left out or assumed.
    units : {"US", "SI"}
        Units the trial declares, for sentences; every number here is SI.
    measured_after : tuple of str
        Centred columns of what the setup may have changed; the second answer (`at_same`) adds them.
    """

    factors: tuple[SetupFactor, ...]
    levels: dict[str, tuple[str, ...]]
    strips: pd.DataFrame
    covariates: tuple[str, ...]
    interactions: tuple[tuple[str, str], ...]
    nested: tuple[str, ...]
    slope_factors: tuple[str, ...]
    strata: dict[str, Stratum]
    layout: Note
    why: tuple[Note, ...]
    notes: tuple[Note, ...]
    units: str = "SI"
    measured_after: tuple[str, ...] = ()

    @property
    def names(self) -> list[str]:
        return [factor.name for factor in self.factors]

    @property
    def kind(self) -> str:
        """The layout in words."""
        return say(self.layout)

    def factor(self, name: str | None = None) -> SetupFactor:
        """The factor of that name, the first where none is asked for.

        Raises
        ------
        DesignError
            When there is none of that name.
        """
        by_name = {factor.name: factor for factor in self.factors}
        if name is not None and name not in by_name:
            raise DesignError(f"{name!r} was not compared; the factors are {', '.join(by_name)}.")
        return self.factors[0] if name is None else by_name[name]

    def labels(self, factor: str) -> dict[str, str]:
        """Label of every level of a factor."""
        own = self.factor(factor)
        return dict(zip(own.levels, own.level_labels, strict=True))

    @property
    def formula(self) -> str:
        """Right-hand side of the fixed part."""
        crossed = [f"{a}:{b}" for a, b in self.interactions]
        return " + ".join([*self.names, *crossed, *self.covariates])

    def with_parts(self, **parts: Any) -> Design:
        """The design with some parts replaced, its strata worked out anew."""
        new = replace(self, **parts)
        own = {
            name: stratum(name, new.names, new.strips, new.nested, new.slope_factors,
                          new.interactions, new.covariates)
            for name in new.names
        }  # fmt: skip
        return replace(new, strata=own)

    def categories(self, table: pd.DataFrame) -> pd.DataFrame:
        """`table` with every setup factor as a category, reference level first."""
        out = table.copy()
        for name in self.names:
            out[name] = pd.Categorical(out[name], categories=list(self.levels[name]))
        return out

    def _repr_html_(self) -> str:
        rows = [
            {
                "factor": factor.label,
                "levels": ", ".join(
                    label
                    for level, label in zip(factor.levels, factor.level_labels, strict=True)
                    if level in self.levels[factor.name]
                ),
                "degrees of freedom": self.strata[factor.name].df,
                words.varies(): factor.name in self.slope_factors,
            }
            for factor in self.factors
        ]
        return card(
            upper_first(self.kind), said((*self.why, *self.notes)), table(pd.DataFrame(rows))
        )


def read_design(
    config: TrialConfig, strips: pd.DataFrame, rows: int, row: str = "frame", adjust: bool = True
) -> Design:
    """Find factors, nesting and covariates in the strips that carry a response.

    Parameters
    ----------
    strips : DataFrame
        Strips with at least one measurement.
    rows : int
        Measurements (frames, samples) on them.
    row : str
        What a measurement is called; ``"strip"`` where it is the whole strip's.
    adjust : bool
        Whether measured speed, moisture and gap may enter as covariates, see `covariates`; the
        gap needs the columns of `gaps.with_measured_gaps`.

    Raises
    ------
    DesignError
        When there is nothing to compare, no replication, or a comparison that the layout
        mixes up with something else; the message says what to do.
    """
    notes: list[Note] = []
    why: list[Note] = []
    strips = strips.reset_index(drop=True)
    factors = _factors(config, strips, notes)
    names = [f.name for f in factors]
    levels = {
        f.name: tuple(
            sorted(
                (v for v in f.levels if strips[f.name].eq(v).any()),
                key=lambda v: (v != f.reference, f.levels.index(v)),
            )
        )
        for f in factors
    }
    for f in factors:
        if levels[f.name][0] != f.reference:
            values = {"factor": f.label, "reference": f.reference, "taken": levels[f.name][0]}
            notes.append(Note("design.reference_missing", values))
    _check_confounding(factors, strips)
    _check_strata(factors, strips)
    interactions = _check_replication(factors, strips, notes)
    note_thin(factors, levels, strips, notes)
    nested = random_levels(strips, rows, row, notes)
    layout = _layout(factors, strips, nested)
    covariates: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    if adjust:
        covariates, after = choose_covariates(
            factors, strips, interactions, why, notes, config.units, config.model.adjust_for
        )
    slope_factors = _slopes(names, strips, nested, why, notes)
    design = Design(
        tuple(factors), levels, strips, covariates, interactions, nested, slope_factors, {}, layout,
        tuple(why), tuple(notes), config.units, after,
    )  # fmt: skip
    return design.with_parts()


def _factors(config: TrialConfig, strips: pd.DataFrame, notes: list[Note]) -> list[SetupFactor]:
    factors = [f for f in config.setups if strips[f.name].nunique() > 1]
    if not config.setups:
        raise DesignError(
            "The trial's settings declare no setup factor, so there is nothing to "
            "compare. Name what was varied, with its levels."
        )
    if not factors:
        setup = ", ".join(f"{f.label} {strips[f.name].iloc[0]}" for f in config.setups)
        raise DesignError(
            f"Every measured strip carries the same setup ({setup}), so there is nothing to "
            "compare. Count strips of at least two setups side by side, in several pairs."
        )
    for f in config.setups:
        if f not in factors:
            notes.append(Note("design.never_changed", {"factor": f.label}))
        missing = tuple(v for v in f.levels if f in factors and not strips[f.name].eq(v).any())
        if missing:
            values = {"factor": f.label, "levels": missing}
            notes.append(Note("design.levels_missing", values))
    return factors


def _check_confounding(factors: Sequence[SetupFactor], strips: pd.DataFrame) -> None:
    for f in factors:
        if strips["field"].nunique() > 1 and strips.groupby("field")[f.name].nunique().max() == 1:
            raise DesignError(
                f"Every field has one level of {f.label} only, so its effect cannot be told from "
                "the difference between fields. Run every level in each field."
            )
    for a, b in combinations(factors, 2):
        pairs = strips[[a.name, b.name]].drop_duplicates()
        if len(pairs) == strips[a.name].nunique() == strips[b.name].nunique():
            raise DesignError(
                f"{a.label} and {b.label} always change together, so their effects cannot be told "
                "apart. Declare them as one setup factor, or run their other combinations too."
            )
    columns = [pd.get_dummies(strips[f.name]) for f in factors]
    if _rank(columns) < 1 + sum(own.shape[1] - 1 for own in columns):
        tangled = [
            f.label
            for i, (f, own) in enumerate(zip(factors, columns, strict=True))
            if _rank(columns) < _rank([*columns[:i], *columns[i + 1 :]]) + own.shape[1] - 1
        ]
        raise DesignError(
            f"In the combinations that were run one of {', '.join(tangled)} follows from the "
            "others, so their effects cannot be told apart. Run their other combinations too, or "
            "compare fewer factors."
        )


def _rank(columns: Sequence[pd.DataFrame]) -> int:
    """Rank of a constant and the columns together."""
    if not columns:
        return 1
    matrix = np.hstack([np.ones((len(columns[0]), 1)), *columns]).astype(float)
    return int(np.linalg.matrix_rank(matrix))


def _check_strata(factors: Sequence[SetupFactor], strips: pd.DataFrame) -> None:
    """A factor that changes between larger strips or blocks only must be repeated on those."""
    for f in factors:
        keys = set_on(f.name, strips)
        if keys[-1] == "strip":
            continue
        words = {"pair": "blocks", "main_strip": "main strips"}[keys[-1]]
        unit = strips.drop_duplicates(keys)
        if spare_within(unit, keys[:-1], [pd.get_dummies(unit[f.name])]) < 1:
            raise DesignError(
                f"{f.label} changes only between {words}, and {len(unit)} of them leave it "
                f"unrepeated: its effect cannot be told from the difference between any two "
                f"{words}. Repeat it in at least three blocks."
            )


def _check_replication(
    factors: Sequence[SetupFactor], strips: pd.DataFrame, notes: list[Note]
) -> tuple[tuple[str, str], ...]:
    """Interactions the layout has room for; an error when it has no room for main effects."""
    names = [f.name for f in factors]
    if spare(strips, names, ()) < 1:
        one = strips.groupby(["field", "pair"]).ngroups == 1
        where = words.unrepeated(0 if one else len(strips))
        raise DesignError(
            f"{where}: a difference between setups cannot be told from the "
            "difference between any two strips of the field. Count at least three, better six, "
            "pairs."
        )
    labels = {f.name: f.label for f in factors}
    complete = []
    for a, b in combinations(names, 2):
        if len(strips[[a, b]].drop_duplicates()) == strips[a].nunique() * strips[b].nunique():
            complete.append((a, b))
        else:
            notes.append(Note("design.not_crossed", {"one": labels[a], "other": labels[b]}))
    crossed = [pd.get_dummies(joined(strips, pair)) for pair in complete]
    terms = [(strips[a].nunique() - 1) * (strips[b].nunique() - 1) for a, b in complete]
    main = [pd.get_dummies(strips[name]) for name in names]
    if complete and _rank([*main, *crossed]) < _rank(main) + sum(terms):
        notes.append(Note("design.interactions_tangled"))
        return ()
    if complete and spare(strips, names, complete) < SPARE_DF:
        notes.append(Note("design.too_few_for_interactions"))
        return ()
    return tuple(complete)


def random_levels(strips: pd.DataFrame, rows: int, row: str, notes: list[Note]) -> tuple[str, ...]:
    """Levels with more than one unit that split their parents further, coarse to fine.

    Parameters
    ----------
    rows : int
        Measurements on the strips.
    row : str
        What a measurement is called.
    notes : list of Note
        Takes what cannot be told apart.
    """
    keys = {"field": ["field"], "pair": ["field", "pair"]}
    if strips["main_strip"].notna().all():
        keys["main_strip"] = ["field", "pair", "main_strip"]
    elif strips["main_strip"].notna().any():
        notes.append(Note("design.main_strips_unnamed"))
    keys["strip"] = ["field", "pair", "strip"]
    kept: list[str] = []
    finer = rows
    for level in reversed(keys):
        count = strips.groupby(keys[level]).ngroups
        if 1 < count < finer:
            kept.insert(0, level)
            finer = count
        elif level == "field" and count == 1:
            notes.append(Note("design.one_field"))
        elif level == "strip" and row != "strip":
            notes.append(Note("design.one_measurement", {"row": row}))
    return tuple(kept)


def _layout(factors: Sequence[SetupFactor], strips: pd.DataFrame, nested: Sequence[str]) -> Note:
    fields = strips["field"].nunique()
    blocks = strips.groupby(["field", "pair"]).ngroups
    setups = strips.groupby(["field", "pair"])[[f.name for f in factors]].nunique()
    if "main_strip" in nested:
        kind = "split strips"
    elif blocks == fields:
        kind = "without pairs"
    elif setups.max().max() <= 1:
        kind = "single"
    elif len(factors) == 1 and strips[factors[0].name].nunique() == 2:
        kind = "pairs"
    else:
        kind = "blocks"
    values = {"kind": kind, "strips": len(strips), "blocks": blocks, "fields": fields}
    return Note("design.layout", values)


def _slopes(
    names: Sequence[str],
    strips: pd.DataFrame,
    nested: Sequence[str],
    why: list[Note],
    notes: list[Note],
) -> tuple[str, ...]:
    fields = strips["field"].nunique()
    if "field" not in nested:
        return ()
    if fields < SLOPE_FIELDS:
        notes.append(Note("design.few_fields", {"fields": fields}))
        return ()
    chosen = [name for name in names if strips.groupby(["field", name]).ngroups < len(strips)]
    if chosen:
        why.append(Note("design.effects_differ", {"fields": fields}))
    if len(chosen) < len(names):
        notes.append(Note("design.effects_with_strips"))
    return tuple(chosen)
