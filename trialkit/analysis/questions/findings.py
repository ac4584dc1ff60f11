"""What a check of a model comes to: findings, each with a grade and the note that says it.

Grades: "quiet"; "note", an adjusted p below 0.05 or an answer that one unit changes; "doubt", an
adjusted p below 0.02. The cuts are this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.analysis.questions.apart import side
from trialkit.analysis.questions.refits import effect_name
from trialkit.analysis.result import ResponseResult
from trialkit.facts import Note
from trialkit.mixed.goodness import Check
from trialkit.words import checks as words
from trialkit.words import say

NOTE, DOUBT = 0.05, 0.02
# Below this many strips a check sees gross faults only; common practice.
FEW_STRIPS = 24


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One thing a check says: `about` ("shape" or "influence"), `grade` and the note."""

    about: str
    grade: str
    note: Note

    @property
    def sentence(self) -> str:
        """The note in words."""
        return say(self.note)


def of_shape(
    table: pd.DataFrame, checks: dict[str, Check], outliers: pd.DataFrame, result: ResponseResult
) -> list[CheckFinding]:
    """What the checks of `checks.ModelCheck` say of the model, one finding each."""
    p = table.set_index("check")["p_adjusted"]
    spec = result.specification
    found = []

    def add(name: str, code: str, **values: Any) -> None:
        own = float(p[name])
        grade = "doubt" if own < DOUBT else "note" if own < NOTE else "quiet"
        found.append(CheckFinding("shape", grade, Note(code, {**values, "p": own})))

    for name, check in checks.items():
        if name == "residuals":
            add(name, "checks.residuals")
        elif name == "dispersion":
            add(name, "checks.dispersion", ratio=check.ratio)
        elif name == "zeros":
            add(
                name, "checks.zeros", observed=check.observed, expected=check.expected,
                row=spec.row, thing=spec.thing,
            )  # fmt: skip
        else:
            add(name, "checks.unit_effects", level=name.removesuffix(" effects"))
    labels = result.contrasts.set_index(["factor", "level"])["label"]
    for key, blocks in outliers.groupby(["factor", "level"], sort=False):
        worst = blocks.loc[blocks["p"].idxmin()]
        add(
            apart_name(key, result), "checks.stands_apart", named=_named(worst, outliers),
            label=labels[key], **_effects(worst, blocks, result), source=spec.look_up,
        )  # fmt: skip
    return found


def apart_name(key: tuple[str, str], result: ResponseResult) -> str:
    """Name of the check of a contrast's blocks."""
    return "pair apart" if len(result.contrasts) == 1 else f"pair apart, {key[0]} {key[1]}"


def _effects(worst: pd.Series, blocks: pd.DataFrame, result: ResponseResult) -> dict[str, Any]:
    """A block's comparison and the mean of the others', as `effect_name` tells them."""
    what = effect_name(result)
    others = blocks.drop(index=worst.name)["effect"]
    own, mean = float(worst["effect"]), float(others.mean())
    if what.endswith("ratio"):
        own, mean = float(np.exp(own)), float(np.exp(mean))
    return {
        "what": what, "own": own, "others": mean, "spread": float(others.std()),
        "unit": result.unit, "system": result.design.units,
    }  # fmt: skip


def of_influence(influence: pd.DataFrame, full: pd.DataFrame, level: float) -> list[CheckFinding]:
    """What leaving out a pair or a field does to every contrast, one finding each."""
    found: list[CheckFinding] = []
    if influence.empty:
        return found
    whole = full.set_index(["factor", "level"])
    several = len(whole) > 1
    for (unit, *key), rows in influence.groupby(["unit", "factor", "level"], sort=False):
        own = whole.loc[tuple(key)]
        before = side(own, level)
        known = rows[rows["reason"] == ""]
        changed = known[[side(row, level) != before for _, row in known.iterrows()]]
        begin = {"unit": unit, "label": own["label"] if several else ""}
        missing = {"missing": len(rows) - len(known)}
        if known.empty:
            note = Note("checks.indispensable", begin)
        elif changed.empty:
            note = Note("checks.changes_nothing", {**begin, **missing, **_span(known)})
        else:
            more = _changed(rows, known, changed)
            code = "checks.several_decide" if "of" in more else "checks.one_decides"
            edge = {"before": bool(before), "level": level}
            note = Note(code, {**begin, **missing, **edge, **more})
        grade = "quiet" if changed.empty else "note"
        found.append(CheckFinding("influence", grade, note))
    return found


def _changed(rows: pd.DataFrame, known: pd.DataFrame, changed: pd.DataFrame) -> dict[str, Any]:
    """The units that change what is told apart, and the answer without the one that does most."""
    if len(changed) == 1:
        row = changed.iloc[0]
        return {"named": _named(row, rows), "answer": _answer(row)}
    worst = changed.loc[changed["cooks_distance"].idxmax()]
    names = tuple(_named(row, rows) for _, row in changed.iterrows())
    return {"named": names, "of": len(known), "answer": _answer(worst)}


def _named(row: pd.Series, rows: pd.DataFrame) -> str:
    """ "pair 3", with its field where there are several."""
    several = rows["field"].nunique() > 1
    return words.unit_named(row.get("unit", "pair"), row["field"], row.get("pair", ""), several)


def _answer(row: pd.Series) -> str:
    ratio = bool(np.isfinite(row["ratio"]))
    name = "ratio" if ratio else "difference"
    value, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    p = float(row["p_adjusted"])
    return words.without_it(ratio, value, low, high, p, adjusted=bool(p != row["p"]))


def _span(known: pd.DataFrame) -> dict[str, Any]:
    ratio = bool(known["ratio"].notna().all())
    own = known["ratio" if ratio else "difference"]
    half = (known["difference_high"] - known["difference_low"]).median() / 2
    return {"ratio": ratio, "low": float(own.min()), "high": float(own.max()), "half": float(half)}


def verdict(findings: Sequence[CheckFinding], strips: int) -> str:
    """The findings in words, loud ones first."""
    loud = [f for grade in ("doubt", "note") for f in findings if f.grade == grade]
    shape = [f.grade for f in loud if f.about == "shape"]
    parts = [words.lead(shape[0] if shape else "quiet"), *(f.sentence for f in loud)]
    if not [f for f in loud if f.about == "influence"]:
        parts += [f.sentence for f in findings if f.about == "influence"]
    if not shape and strips < FEW_STRIPS:
        parts.append(words.only_gross_faults(strips))
    return " ".join(parts)
