"""Ears damaged at the butt, and the groups of ears collected at the header."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.responses.columns import STRIP, Rows, Sheet, Table, count, key, measure, part_of
from trialkit.responses.drawing import Drawing, repeated, sample_rows, setup_effect, share_table
from trialkit.responses.record import Response, Unlocked, fixed
from trialkit.words.terms import ENGLISH, amount


def _check(table: Rows) -> None:
    part_of(table, "ears_damaged", "ears_examined")


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    return sample_rows(strips, effort.butt_samples)


def _draw(d: Drawing) -> pd.DataFrame:
    t, e, rng = d.truth, d.effort, d.rng
    if e.butt_samples == 0:
        return pd.DataFrame()
    eta = np.log(t.butt_damage / (1 - t.butt_damage)) + setup_effect(t.butt_odds, d.strips)
    eta = eta + d.effects(t.butt_sd)
    row, _ = repeated(len(d.strips), e.butt_samples)
    eta = eta[row] + rng.normal(0.0, t.butt_sd.get("sample", 0.0), len(row))
    return sample_rows(d.names, e.butt_samples).assign(
        ears_examined=e.ears_examined,
        ears_damaged=rng.binomial(e.ears_examined, 1.0 / (1.0 + np.exp(-eta))),
    )


EAR_GROUPS = Table(
    "ear_butt_damage",
    "one row per group of ears collected at the header",
    (
        STRIP,
        key("sample", "number or name of the group, unique within the strip"),
        count("ears_examined", 1e5, "ears looked at", low=1, required=True),
        count("ears_damaged", 1e5,
              "of these, with kernels missing or cracked at the butt", required=True),
        count("kernels_missing", 1e6, "kernels missing at the butts of all of them"),
        measure("impact_score", "", "", 0, 5,
                "0 untouched to 5 worst, the group judged by eye"),
    ),
    key=("strip", "sample"),
    rank=60,
    check=_check,
    sheet=Sheet(
        # Drawn late, so that a trial without them is drawn as it was before there were any.
        "sample sheets", "groups of ears", "sample", _rows, ((80, _draw),), effort="butt_samples",
        heading="ears collected at the header",
        taken="At the stop, key held: ears that lie in the header, as they come, none chosen. "
        "Damaged: kernels missing or cracked at the butt end. If you like, kernels missing: "
        "over all of them; score: 0 untouched to 5 worst, the group as a whole. It tells "
        "what plates and rolls do, before threshing. Common practice; no published definition "
        "found.",
        said={"es": ("mazorcas recogidas en el cabezal", (
            "En la parada, con la llave en la mano: mazorcas que están en el cabezal, como vengan, "
            "sin escoger. Dañadas: faltan granos o están rotos en la base. Si quiere, granos que "
            "faltan: en todas juntas; calificación de golpes: 0 sin tocar a 5 lo peor, el grupo "
            "entero. "
            "Dice lo que hacen placas y rodillos, antes de la trilla. Práctica común; no se "
            "encontró una definición publicada."
        ))},
    ),
)  # fmt: skip


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    return share_table(config, strips, truth.butt_damage, truth.butt_odds, truth.butt_sd)


EAR_BUTT_DAMAGE = Response(
    "ear_butt_damage", "Ears damaged at the butt", 30, EAR_GROUPS, "ears_damaged", "binomial",
    fixed(100.0, "%"), "sample", "ear damaged at the butt",
    "damaged among examined ears: binomial with logit link",
    {ENGLISH: amount("had", "ears damaged at the butt", "ears damaged at the butt",
                     count="look at the butts of ears from both headers")},
    _true, size="ears_examined",
    remark="Ears collected at the header: what the plates and rolls did to them before "
    "threshing. It is no share of kernels, and not the damage in the tank.",
    near=2.0, shown="line", short="ears damaged at the butt",
    unlocked=(Unlocked("ears damaged at the butt", 90),),
)  # fmt: skip
