"""Setups under which nothing was found, and the limit that puts on what there may be."""

from __future__ import annotations

from trialkit.display import number, significant
from trialkit.units import kg_ha_to_bu_ac
from trialkit.words.counts import plural

MORE = {
    "poisson": "count more ground or more kernels",
    "binomial": "count more ground or more kernels",
    "lognormal": "take larger samples",
}
"""What would tell more, by the response's family."""


def none_examined(thing: str, examined: int, most: float, unit: str) -> str:
    """`most` is the one-sided 95 % limit."""
    return (
        f"no {thing} among {number(examined, 0)} examined, which puts the share below "
        f"{number(most, 2)} {unit} at 95 %"
    )


def none_weighed(
    thing: str, samples: int, row: str, grams: float, least: float | None, most: float, unit: str
) -> str:
    """`least` is the smallest mass that was weighed elsewhere."""
    words = f"no {thing} in {samples} {plural(row)} ({number(grams, 0)} g)"
    if least is None:
        return words
    return (
        f"{words}, less in each than the {least:g} g that could be weighed elsewhere, which puts "
        f"the share below {significant(most, 2)} {unit}"
    )


def none_counted(
    thing: str, frames: int, row: str, zone: str, area: float, most: float, unit: str
) -> str:
    """`zone` is "" where there is one; `most` the one-sided 95 % limit."""
    where = f" of zone {zone}" if zone else ""
    limit = f"{significant(most, 2)} {unit}"
    if unit == "kg/ha":
        limit += f" ({significant(float(kg_ha_to_bu_ac(most)), 2)} bu/ac)"
    return (
        f"no {thing} in {frames} {plural(row)}{where} ({number(area, 1)} m2), which puts the loss "
        f"below {limit} at 95 % if {thing.split()[-1]}s lie at random"
    )


def no_estimate(zones: bool) -> str:
    if zones:
        return "The difference between the zones has no finite estimate in this model"
    return "A ratio to the other setups has no finite estimate"
