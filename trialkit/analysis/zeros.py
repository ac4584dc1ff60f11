"""Setups under which nothing was found: said before fitting, with what that bounds."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from trialkit.analysis.design import Design
from trialkit.analysis.specifications import InUnit, Specification
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.words import zeros as words
from trialkit.words.counts import plural

# A count of zero has this one-sided 95 % Poisson limit: the "rule of three".
RULE_OF_THREE = -np.log(0.05)
# Above this share of samples in which nothing was weighed a lognormal share is no model of them.
MOST_ZEROS = 0.1

# Nothing found where effects that multiply would leave more than this (counts, or g) is not chance.
UNEXPLAINED = 10.0


def check_zeros(data: pd.DataFrame, design: Design, spec: Specification, scale: InUnit) -> Design:
    """Refuse factor levels under which nothing was found; drop interactions with such a cell.

    Returns
    -------
    Design
        Without the interactions that have a combination of setups with nothing found.

    Raises
    ------
    DesignError
        With the upper limit that the zeros put on the loss or share.
    """
    if spec.family == "normal":
        return design
    for where, part in _parts(data, spec):
        if part[spec.response].sum() == 0:
            raise DesignError(
                f"There was {_limit(part, data, spec, scale, where)}. No setup can be told from "
                f"another: {words.MORE[spec.family]}."
            )
        for factor in design.factors:
            for name, rows in part.groupby(factor.name, observed=True):
                _check_level(rows, data, f"{factor.label} {name}", where, spec, scale)
    kept = tuple(
        pair
        for pair in design.interactions
        if all(
            (part.groupby(list(pair), observed=True)[spec.response].sum() > 0).all()
            for _, part in _parts(data, spec)
        )
    )
    if kept == design.interactions:
        return design
    names = []
    for name, where, part, cell, expected in _empty(data, design, spec):
        if expected > UNEXPLAINED:
            raise DesignError(
                f"Under {name} there was {_limit(cell, part, spec, scale, where)}, where the two "
                f"effects multiplied would leave about {expected:.0f}. The interaction has no "
                "finite estimate, and no model without it fits. Each strip's own value can still "
                "be read, and the other combinations be compared without these strips."
            )
        names.append(name)
    note = Note("design.nothing_found", {"setups": tuple(dict.fromkeys(names))})
    return design.with_parts(interactions=kept, notes=(*design.notes, note))


def _empty(
    data: pd.DataFrame, design: Design, spec: Specification
) -> Iterator[tuple[str, str, pd.DataFrame, pd.DataFrame, float]]:
    """Pairs of setups under which nothing was found.

    In words, with the zone, its rows, those of the pair, and what rates of the two setups that
    multiply would have left there.
    """
    labels = {f.name: f.label for f in design.factors}
    for a, b in design.interactions:
        for where, part in _parts(data, spec):

            def rate(rows: pd.DataFrame) -> float:
                return float(rows[spec.response].sum() / rows[spec.size].sum())

            for (one, other), cell in part.groupby([a, b], observed=True):
                if cell[spec.response].sum() > 0:
                    continue
                product = rate(part[part[a].eq(one)]) * rate(part[part[b].eq(other)]) / rate(part)
                expected = product * float(cell[spec.size].sum())
                yield (
                    f"{labels[a]} {one} with {labels[b]} {other}", where, part, cell, expected
                )  # fmt: skip


def _parts(data: pd.DataFrame, spec: Specification) -> Iterator[tuple[str, pd.DataFrame]]:
    """The rows, zone by zone where the response is a difference between zones."""
    if len(spec.zones) < 2:
        yield "", data
        return
    for zone in spec.zones:
        yield zone, data[data["zone"].astype(str).eq(zone)]


def _check_level(
    rows: pd.DataFrame, data: pd.DataFrame, level: str, where: str, spec: Specification,
    scale: InUnit,
) -> None:  # fmt: skip
    found = rows[spec.response].sum()
    if found == 0:
        why = words.no_estimate(bool(where))
        raise DesignError(
            f"Under {level} there was {_limit(rows, data, spec, scale, where)}. {why}; compare "
            "the raw means, or count more."
        )
    if spec.family == "binomial" and found == rows[spec.size].sum():
        raise DesignError(
            f"Under {level} every kernel examined was damaged; "
            "a ratio to the other setups has no finite estimate."
        )


def _limit(
    rows: pd.DataFrame, data: pd.DataFrame, spec: Specification, scale: InUnit, zone: str
) -> str:
    """ "no loose kernel in 8 frames (7.4 m2), which puts the loss below 1.2 kg/ha ..."."""
    total = float(rows[spec.size].sum())
    most = scale.value * float(RULE_OF_THREE) / total
    if spec.family == "binomial":
        return words.none_examined(spec.thing, int(total), most, scale.unit)
    if spec.family == "lognormal":
        weighed = data.loc[data[spec.response] > 0, spec.response]
        least = None if weighed.empty else float(weighed.min())
        share = scale.value * (least or 0.0) * len(rows) / total
        return words.none_weighed(
            spec.thing, len(rows), spec.row, total, least, share, scale.unit
        )  # fmt: skip
    return words.none_counted(spec.thing, len(rows), spec.row, zone, total, most, scale.unit)


def check_varies(data: pd.DataFrame, design: Design, spec: Specification) -> None:
    """Refuse values that do not vary beyond the setups: no interval can come from them.

    Raises
    ------
    DesignError
        With the values, as far as they are alike.
    """
    setup = data[design.names].astype(str).agg(", ".join, axis=1)
    value = data["value"].astype(float)
    spread = value.groupby(setup).agg(lambda v: v.max() - v.min())
    if spread.max() > 1e-12 * max(float(value.abs().max()), 1.0):
        return
    shown = value if spec.family == "normal" else 100 * np.exp(value)
    each = shown.groupby(setup).first()
    if each.max() - each.min() <= 1e-9 * max(float(each.abs().max()), 1.0):
        raise DesignError(
            f"{spec.title} has one and the same value on every strip ({each.iloc[0]:,.6g}), so no "
            "setup differs from another in it, and how far they might differ cannot be judged. "
            "Measured values vary: check whether one value was written down for all strips."
        )
    means = "; ".join(f"{name}: {number:,.6g}" for name, number in each.items())
    raise DesignError(
        f"{spec.title} is the same on all strips of one setup ({means}), so there is no variation "
        "that a difference between setups could be judged by. Measured values vary: check "
        "whether one value was written down for each setup."
    )


def log_shares(data: pd.DataFrame, spec: Specification) -> tuple[pd.Series, list[Note]]:
    """Logarithm of response over size; a mass of zero counts as half the least one weighed.

    Raises
    ------
    DesignError
        When more than a tenth of the samples hold nothing that could be weighed.
    """
    amount = data[spec.response].astype(float)
    none = int((amount == 0).sum())
    notes: list[Note] = []
    if none > MOST_ZEROS * len(data):
        raise DesignError(
            f"{none} of {len(data)} {plural(spec.row)} hold no {spec.thing} that could be weighed, "
            "too many for a model of its share; compare the raw means, or take larger samples."
        )
    if none:
        least = amount[amount > 0].min()
        amount = amount.where(amount > 0, least / 2)
        values = {"samples": none, "row": spec.row, "thing": spec.thing, "grams": float(least)}
        notes.append(Note("model.half_of_the_least", values))
    return np.log(amount / data[spec.size].astype(float)), notes
