"""Material other than grain in the tank, and the samples of residue.

`residue_score` is judged in the same samples, `leaf_intake` weighed in those from behind.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.responses.columns import (
    STRIP,
    Column,
    Rows,
    Sheet,
    Table,
    any_of,
    key,
    lose_elsewhere,
    measure,
    part_of,
)
from trialkit.responses.drawing import (
    Drawing,
    level_table,
    repeated,
    sample_rows,
    setup_effect,
    variance,
)
from trialkit.responses.record import Unlocked
from trialkit.responses.shares import SAMPLE_SD, share
from trialkit.words.terms import ENGLISH, amount

TAKEN_AT = ("tank", "behind")
"""Where residue is sampled: in the grain tank, after cleaning; in what fell behind the machine."""
_SCORE = measure("score", "", "", 0, 5, "0 none to 5 worst, judged by eye in the tank",
                 only=("taken_at", TAKEN_AT[0]))  # fmt: skip
SCORE_SD = 0.4
"""The same in every simulated trial: of the reading of a score."""
LOOK = "look at what comes into the tank with both"


def _check(table: Rows) -> None:
    behind = np.asarray(table.data["taken_at"], dtype=object) == "behind"
    table.refuse(behind & np.isnan(table.data["residue_mass"]) & table.sound, "residue_mass",
                 "sample_mass with residue_mass, since it was taken behind")  # fmt: skip
    lose_elsewhere(table, _SCORE, "nothing, since it was taken behind: a score is of the tank")
    part_of(table, "residue_mass", "sample_mass")
    any_of(table, "residue_mass", [table.data["residue_mass"], table.data["score"]],
           "sample_mass with residue_mass, or a score")  # fmt: skip


def _behind_rows(strips: Sequence[str], times: int) -> pd.DataFrame:
    """Samples of residue behind the machine, named B1, B2, ... beside those of the tank."""
    rows = sample_rows(strips, times)
    return rows.assign(sample="B" + rows["sample"], taken_at="behind")


def _rows(strips: Sequence[str], effort: Any) -> pd.DataFrame:
    own = [sample_rows(strips, effort.residue_samples).assign(taken_at="tank"),
           _behind_rows(strips, effort.intake_samples)]  # fmt: skip
    return pd.concat(own, ignore_index=True)


def _draw_tank(d: Drawing) -> pd.DataFrame:
    t, rng = d.truth, d.rng
    times = d.effort.residue_samples
    row, _ = repeated(len(d.strips), times)
    log = np.log(t.residue) + setup_effect(t.residue_ratios, d.strips)
    log = log + d.effects(t.residue_sd)
    part = np.exp(log[row] + rng.normal(0.0, SAMPLE_SD, len(row)))
    mass = np.round(rng.normal(2000.0, 60.0, len(row)), 0)
    score = np.round(part / t.residue + rng.normal(0.0, SCORE_SD, len(row))).clip(0, 5) + 0.0
    out = sample_rows(d.names, times).assign(
        sample_mass=mass, residue_mass=np.round(mass * part, 1), score=score
    )
    return out.assign(taken_at="tank") if d.effort.intake_samples else out


def _draw_behind(d: Drawing) -> pd.DataFrame:
    t, rng, times = d.truth, d.rng, d.effort.intake_samples
    if times == 0:
        return pd.DataFrame()
    row, _ = repeated(len(d.strips), times)
    log = np.log(t.leaf_intake) + setup_effect(t.leaf_ratios, d.strips)
    log = (log + d.effects(t.leaf_sd))[row] + rng.normal(0.0, SAMPLE_SD, len(row))
    cobs = rng.normal(500.0, 40.0, len(row)).clip(100.0)
    leaves = np.round(cobs * np.exp(log), 0)
    return _behind_rows(d.names, times).assign(
        sample_mass=np.round(cobs, 0) + leaves, residue_mass=leaves
    )


RESIDUE = Table(
    "residue",
    "one row per reading of material other than grain",
    (
        STRIP,
        key("sample", "number or name of the sample, unique within the strip"),
        Column("taken_at", "choice", "tank or behind the machine; tank when left out",
               levels=TAKEN_AT, blank=TAKEN_AT[0]),
        measure("sample_mass", "g", "g", 1, 1e6, "mass of the sample"),
        measure("residue_mass", "g", "g", 0, 1e6, "of this, other than grain; behind the "
                "machine: leaves, husks and pieces of stalk, cobs sorted out"),
        _SCORE,
    ),
    key=("strip", "sample"),
    rank=70,
    check=_check,
    sheet=Sheet(
        "residue sheets", "residue readings", "sample", _rows,
        ((40, _draw_tank), (90, _draw_behind)), effort="residue_samples",
        printed=("strip", "sample", "taken_at"), labelled=True, heading="residue readings",
        taken="tank: from the grain tank: tells what cleaning left, not what the header took in. "
        "behind: 1 kg (2 lb) from the top of what fell behind the machine; the sample is all of "
        "it, residue its leaves, husks and stalk, cobs sorted out: an ear brings one cob, so it "
        "tells what came in with it. Common practice.",
        said={"es": ("lecturas de rastrojo", (
            "Tolva (tank): de la tolva de grano: dice lo que dejó la limpieza, no lo que el "
            "cabezal metió. Detrás (behind): 1 kg (2 lb) de encima de lo que cayó detrás de la "
            "máquina; masa de la muestra, toda; masa de rastrojo, sus hojas, totomoxtle y caña, "
            "sin los olotes: cada mazorca trae un solo olote, así que dice lo que entró con ella. "
            "Práctica común."
        ))},
    ),
)  # fmt: skip


def _true(truth: Any, strips: pd.DataFrame, config: Any) -> pd.DataFrame:
    """Averaged over random effects and samples."""
    half = 0.5 * (variance(truth.residue_sd, strips, config) + SAMPLE_SD**2)

    def percent(cells: pd.DataFrame) -> np.ndarray:
        effect = np.exp(setup_effect(truth.residue_ratios, cells) + half)
        return np.asarray(100.0 * truth.residue * effect)

    return level_table(config, percent, "percent")


RESIDUE_MASS = share(
    "residue_mass", "Material other than grain", 90, RESIDUE, "residue_mass",
    "material other than grain",
    {ENGLISH: amount("had", "material other than grain", "material other than grain", few=False,
                     count=LOOK)},
    _true, Unlocked("residue by mass", 100),
    remark="In the tank, after cleaning: it tells what cleaning left, not what the header took in.",
    only=("taken_at", "tank"), shown="line", short="material other than grain",
)  # fmt: skip
