"""Damaged kernels, and the grain samples they are looked for in.

`broken_corn` and `foreign_material` are weighed in the same samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.responses.columns import (
    STRIP,
    Rows,
    Sheet,
    Table,
    any_of,
    count,
    key,
    lose_without,
    measure,
    part_of,
)
from trialkit.responses.drawing import Drawing, repeated, sample_rows, setup_effect, share_table
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.words.terms import ENGLISH, amount

SIEVED = 0.3
"""The same in every simulated trial: the part of the damaged share that falls through the sieve."""
LOOK = "look through the grain of both"


def _check(table: Rows) -> None:
    part_of(table, "kernels_damaged", "kernels_examined")
    lose_without(table, "kernels_examined", "kernels_damaged")
    part_of(table, "sieve_mass", "sample_mass")
    part_of(table, "foreign_mass", "sample_mass")
    counts = table.data["kernels_examined"]
    any_of(table, "kernels_examined", [counts, table.data["sample_mass"]],
           "kernels_examined with kernels_damaged, or sample_mass with sieve_mass")  # fmt: skip
    damaged = table.data["kernels_damaged"]
    table.refuse(~np.isnan(counts) & np.isnan(damaged) & table.sound, "kernels_damaged",
                 "the number of damaged kernels, since kernels_examined is given")  # fmt: skip
    through = np.isnan(table.data["sieve_mass"]) & np.isnan(table.data["foreign_mass"])
    weighed = ~np.isnan(table.data["sample_mass"]) & np.isnan(counts)
    table.refuse(weighed & through & table.sound, "sieve_mass",
                 "sieve_mass or foreign_mass, since sample_mass is given")  # fmt: skip


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    return sample_rows(strips, effort.grain_samples)


def _draw(d: Drawing) -> pd.DataFrame:
    t, e, rng = d.truth, d.effort, d.rng
    eta = np.log(t.damage / (1 - t.damage)) + setup_effect(t.damage_odds, d.strips)
    eta = eta + d.effects(t.damage_sd) + np.log(t.damage_moisture_odds) * d.moisture
    row, _ = repeated(len(d.strips), e.grain_samples)
    eta = eta[row] + rng.normal(0.0, t.damage_sd.get("sample", 0.0), len(row))
    share = 1.0 / (1.0 + np.exp(-eta))
    mass = np.round(rng.normal(250.0, 4.0, len(row)), 1)
    return sample_rows(d.names, e.grain_samples).assign(
        kernels_examined=e.kernels_examined,
        kernels_damaged=rng.binomial(e.kernels_examined, share),
        sample_mass=mass,
        sieve_mass=np.round(mass * SIEVED * share * rng.uniform(0.8, 1.2, len(row)), 1),
        foreign_mass=np.round(mass * rng.uniform(0.001, 0.006, len(row)), 1),
    )


GRAIN = Table(
    "grain",
    "one row per grain sample",
    (
        STRIP,
        key("sample", "number or name of the sample, unique within the strip"),
        count("kernels_examined", 1e6, "kernels looked at", low=1),
        count("kernels_damaged", 1e6, "of these, damaged"),
        measure("sample_mass", "g", "g", 1, 1e5, "mass of the sample"),
        measure("sieve_mass", "g", "g", 0, 1e5, "of this, through the sieve"),
        measure("foreign_mass", "g", "g", 0, 1e5, "of this, foreign material"),
    ),
    key=("strip", "sample"),
    rank=50,
    check=_check,
    sheet=Sheet(
        "sample sheets", "grain samples", "sample", _rows, ((30, _draw),), effort="grain_samples",
        labelled=True, heading="grain samples",
        taken="Cut the moving stream into or out of the tank, not the top of the heap: skip the "
        "first seconds; three cuts or more, mixed (USDA practice). Damaged: broken, "
        "chipped or cracked, plainly seen; not the grade's damage (7 CFR 810.404: mould, heat, "
        "frost, germ, insects, sprouting; judged after sieving), in which clean chips may not "
        "count. Sieve: through round holes of 12/64 in, 4.76 mm (7 CFR 810.401), or 4.50 mm "
        "(ISO 5223): one sieve for the whole trial. Not corn: all else.",
        said={"es": ("muestras de grano", (
            "Corte el chorro de grano que entra a la tolva o sale de ella, no lo de encima del "
            "montón: deje pasar los primeros segundos; tres cortes o más, mezclados (práctica del "
            "USDA). Granos dañados: rotos, astillados o rajados a simple vista; no es el daño del "
            "grado (7 CFR 810.404: moho, calor, helada, germen, insectos, brotado; se juzga "
            "después de cribar), que puede no contar astillas limpias. Masa cribada: por criba de "
            "agujeros redondos de 12/64 in, 4.76 mm (7 CFR 810.401), o de 4.50 mm (ISO 5223): una "
            "misma criba en todo el ensayo. Materia extraña: lo que no es maíz."
        ))},
    ),
)  # fmt: skip


def damaged(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Share of damaged kernels averaged over random effects."""
    return share_table(config, strips, truth.damage, truth.damage_odds, truth.damage_sd)


KERNEL_DAMAGE = Response(
    "kernel_damage", "Damaged kernels", 20, GRAIN, "kernels_damaged", "binomial",
    fixed(100.0, "%"), "sample", "damaged kernel",
    "damaged among examined kernels: binomial with logit link",
    {ENGLISH: amount("had", "damaged kernels", "damaged kernels", count=LOOK)}, damaged,
    absent="No grain sample gives both kernels examined and kernels damaged, so kernel damage "
    "cannot be analysed.",
    size="kernels_examined", lacking="grain samples without counted kernels", near=0.5,
    expected=True, shown="full", short="damaged kernels", expectation="damage",
    unlocked=(Unlocked("kernel damage", 60, "kernels_examined", usual=True),),
)  # fmt: skip
