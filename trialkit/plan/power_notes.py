"""What simulated plans gave, as notes: what was simulated, the cheapest plan, what more brings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.facts import Note
from trialkit.plan.power_expected import Expected, Reductions
from trialkit.quantities import Scale, scales
from trialkit.responses import RESPONSES, InUnit, schema
from trialkit.simulate import Effort, Work
from trialkit.simulate.work import counted, further
from trialkit.words import power as words
from trialkit.words.counts import plural

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig

PLAN = ["pairs", "frames", "fields"]


def scale_of(response: str, config: TrialConfig) -> InUnit:
    """Result units per unit of the response's mean."""
    none = {name: schema.empty(name, config.setups) for name in schema.TABLES}
    record = RESPONSES[response]
    return record.scale(none[record.table], none, config)


def unit_of(response: str, config: TrialConfig) -> Scale:
    """Unit of differences: the trial's own, or percentage points."""
    if RESPONSES[response].family == "binomial":
        return Scale("points", 1.0)
    return scales(scale_of(response, config).unit, config.units)[0]


def labels_of(config: TrialConfig) -> dict[tuple[str, str], str]:
    """Levels in words by factor and level."""
    return {(f.name, level): f.in_words(level) for f in config.setups for level in f.levels}


def simulated(
    config: TrialConfig, response: str, expected: Expected, reductions: Reductions, row: str,
    rounds: int, confidence: float,
) -> Note:  # fmt: skip
    """What was simulated and how it was analysed."""
    labels, record = labels_of(config), RESPONSES[response]
    typical, own = expected.of(response).typical, unit_of(response, config)
    if record.family == "binomial":
        level = words.share_level(typical, record.terms.noun)
    else:
        mean = typical if record.expectation else typical * scale_of(response, config).value
        level = words.mean_level(own.factor * mean, own.unit, record.title)
    told = {
        "rounds": rounds, "row": row, "trials": expected.trials, "confidence": confidence,
        "level": level,
        "reductions": tuple(
            (labels[f.name, level], share)
            for f in config.setups for level, share in reductions.get(f.name, {}).items()
        ),
    }  # fmt: skip
    return Note("power.simulated", told)


def hours_counted(work: Work, effort: Effort, response: str) -> Note:
    """What the hours are made of."""
    record = RESPONSES[response]
    assert record.layout.sheet is not None
    kind, own = record.layout.sheet.minutes, int(effort.times(record.effort))
    frames, searches, samples = counted(effort)
    beside = (frames - own * (kind == "frame"), searches - own * (kind == "search"),
              samples - own * (kind == "sample"))  # fmt: skip
    more = [(n, what) for what, n, _ in further(effort) if what != record.layout.sheet.counted]
    return Note("power.hours_counted", {
        "row": record.row, "minutes": work.of_rows(kind, 1), "stop_minutes": work.stop_minutes,
        "field_minutes": work.field_minutes, "beside": beside, "further": tuple(more),
    })  # fmt: skip


def cheapest(plan: str, row: pd.Series, aim: float) -> Note:
    """The plan and how sure its power is; `plan` is it in words."""
    return Note("power.cheapest", {
        "plan": plan, "minutes": float(row["minutes"]), "counting": float(row["counting"]),
        "power": float(row["power"]), "error": float(row["power_se"]), "aim": aim,
    })  # fmt: skip


def told_apart(rows: pd.DataFrame, config: TrialConfig, response: str) -> Note:
    """What one plan tells apart and how wide its intervals are."""
    labels, unit = labels_of(config), unit_of(response, config)
    found = tuple(
        (labels[row["factor"], row["level"]], share_or_none(row["detectable"]),
         unit.factor * row["half_width_difference"])
        for row in rows.to_dict("records")
    )  # fmt: skip
    return Note("power.told_apart", {"found": found, "unit": unit.unit})


def share_or_none(share: float) -> float | None:
    return None if np.isnan(share) else float(share)


def exchange(
    rows: pd.DataFrame, plan: str, layout: str, row: str, rounds: Sequence[np.ndarray]
) -> Note:
    """One more pair against the number of frames nearest to it in minutes.

    Parameters
    ----------
    rows : DataFrame
        Of `Exchange.table`.
    plan : str
        The first of them in words.
    rounds : sequence of ndarray
        For each row, round by round whether the comparison was told apart.
    """
    base, block = rows.iloc[0], words.block(layout)
    wider = rows[rows["what"].eq("more pairs")]
    deeper = rows[rows["what"].eq("more frames")]
    told: dict[str, Any] = {"plan": plan, "minutes": float(base["minutes"]),
                            "power": float(base["power"]), "wider": "", "deeper": "",
                            "weighed": ""}  # fmt: skip
    one = nearest = None
    if len(wider):
        one = wider.iloc[0]
        told["wider"] = words.more_blocks(int(one["pairs"] - base["pairs"]), block, **_gain(one))
    if len(deeper):
        aim = 0.0 if one is None else one["more_minutes"]
        nearest = deeper.loc[(deeper["more_minutes"] - aim).abs().idxmin()]
        more = int(nearest["frames"] - base["frames"])
        told["deeper"] = words.more_rows(more, row, **_gain(nearest))
    if one is not None and nearest is not None:
        a, b = (float(r["gain_per_hour"]) for r in (one, nearest))
        if np.isfinite([a, b]).all():
            moved = [60 * (rounds[int(str(r.name))].astype(float) - rounds[0]) / r["more_minutes"]
                     for r in (one, nearest)]  # fmt: skip
            apart = moved[0] - moved[1]
            clear = bool(abs(apart.mean()) > 2 * apart.std(ddof=1) / np.sqrt(len(apart)))
            single = a > b and int(one["pairs"] - base["pairs"]) == 1
            first = block if a > b else row
            told["weighed"] = words.per_hour(first if single else plural(first), single, clear)
    return Note("power.exchange", told)


def _gain(row: Mapping[str, Any] | pd.Series) -> dict[str, float]:
    return {"minutes": float(row["more_minutes"]), "power": float(row["power"]),
            "gain": float(row["gain"]), "error": float(row["gain_se"])}  # fmt: skip
