"""What a check of a model says, in words no stronger than its numbers.

Grades of a finding: "quiet"; "note", an adjusted p below 0.05 or an answer that one unit changes;
"doubt", an adjusted p below 0.02. The cuts are this project's choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.apart import number, places, side, told_apart
from trialkit.analysis.preharvest import plural
from trialkit.analysis.reading import unit_words
from trialkit.analysis.refits import effect_name
from trialkit.analysis.result import ResponseAnalysis
from trialkit.mixed.goodness import Check
from trialkit.quantities import scales

NOTE, DOUBT = 0.05, 0.02
# Below this many strips a check sees gross faults only; common practice.
FEW_STRIPS = 24
NAMED = 5
# Where to look a value up again, by table of the trial.
SOURCE = {
    "frames": "count sheets", "ears": "count sheets", "grain": "sample sheets",
    "ear_butt_damage": "sample sheets", "residue": "residue sheets", "strips": "readings",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check says: `about` ("shape" or "influence"), `grade` and a sentence."""

    about: str
    grade: str
    sentence: str


def of_shape(
    table: pd.DataFrame, checks: dict[str, Check], outliers: pd.DataFrame, result: ResponseAnalysis
) -> list[Finding]:
    """What the checks of `checks.ModelCheck` say of the model, one finding each."""
    p = table.set_index("check")["p_adjusted"]
    spec = result.specification
    found = []
    for name, check in checks.items():
        if name == "residuals":
            text = "residuals are shaped differently from the model's"
        elif name == "dispersion":
            text = f"counts vary about their units {check.ratio:.2f} times as much as they should"
        elif name == "zeros":
            text = (
                f"{check.observed:.0f} {plural(spec.row)} hold no {spec.thing} where "
                f"{check.expected:.3g} fit"
            )
        else:
            level = name.removesuffix(" effects").replace("_", " ")
            text = f"the effects of {level}s are not those of a normal law: one stands far out"
        found.append(Finding("shape", _grade(p[name]), _sentence(text, p[name])))
    labels = result.contrasts.set_index(["factor", "level"])["label"]
    for key, blocks in outliers.groupby(["factor", "level"], sort=False):
        worst = blocks.loc[blocks["p"].idxmin()]
        others = blocks.drop(index=worst.name)["effect"]
        text = (
            f"{_named(worst, outliers)} stands apart from the other pairs: {labels[key]} against "
            f"its reference has {_effects(worst['effect'], others, result)} over the others; "
            f"check its {SOURCE[spec.table]}"
        )
        value = p[apart_name(key, result)]
        found.append(Finding("shape", _grade(value), _sentence(text, value)))
    return found


def apart_name(key: tuple[str, str], result: ResponseAnalysis) -> str:
    """Name of the check of a contrast's blocks."""
    return "pair apart" if len(result.contrasts) == 1 else f"pair apart, {key[0]} {key[1]}"


def _effects(own: float, others: pd.Series, result: ResponseAnalysis) -> str:
    """ "a ratio of 5.80 there and of 0.61", a difference in its unit, or in % of what was found."""
    what, mean = effect_name(result), others.mean()
    if what == "share":
        there, elsewhere = number(100 * own, 0), number(100 * mean, 0)
        return (
            f"a difference of {there} % of what was found in the block there and of {elsewhere} %"
        )
    if what != "difference":
        article = "an" if what[0] in "aeiou" else "a"
        return f"{article} {what} of {np.exp(own):.2f} there and of {np.exp(mean):.2f}"
    scale = scales(result.unit, result.design.units)[0]
    own, mean, spread = (scale.factor * v for v in (own, mean, others.std()))
    shown = places((mean, mean - spread, mean + spread))
    there, elsewhere = number(own, shown), number(mean, shown)
    return f"a difference of {there} {unit_words(scale.unit)} there and of {elsewhere}"


def _grade(p: float) -> str:
    return "doubt" if p < DOUBT else "note" if p < NOTE else "quiet"


def _sentence(text: str, p: float) -> str:
    shown = f"{p:.2g}" if p >= 0.001 else "below 0.001"
    return f"{text[0].upper()}{text[1:]} (p = {shown}, adjusted for the number of checks)."


def of_influence(influence: pd.DataFrame, full: pd.DataFrame, level: float) -> list[Finding]:
    """What leaving out a pair or a field does to every contrast, one finding each."""
    found: list[Finding] = []
    if influence.empty:
        return found
    whole = full.set_index(["factor", "level"])
    several = len(whole) > 1
    for (unit, *key), rows in influence.groupby(["unit", "factor", "level"], sort=False):
        own = whole.loc[tuple(key)]
        before = side(own, level)
        known = rows[rows["reason"] == ""]
        changed = known[[side(row, level) != before for _, row in known.iterrows()]]
        lead = f"{own['label']} against its reference: " if several else ""
        missing = len(rows) - len(known)
        tail = f" {missing} {unit}s cannot be left out." if missing else ""
        if known.empty:
            text, grade = f"the model cannot do without any {unit}.", "quiet"
            tail = ""
        elif changed.empty:
            span = _span(known)
            text = f"leaving out any one {unit} changes {span}, and not what is told apart."
            grade = "quiet"
        else:
            text, grade = _changed(unit, rows, known, changed, before, level), "note"
        text = f"{lead}{text}" if lead else f"{text[0].upper()}{text[1:]}"
        found.append(Finding("influence", grade, text + tail))
    return found


def _changed(
    unit: str, rows: pd.DataFrame, known: pd.DataFrame, changed: pd.DataFrame, before: int,
    level: float,
) -> str:  # fmt: skip
    apart = told_apart(level)
    if len(changed) == 1:
        row = changed.iloc[0]
        after = "is no longer" if before else "would be"
        return (
            f"one {unit} decides the result: without {_named(row, rows)} {_answer(row)}, and the "
            f"setup {after} {apart}."
        )
    names = [_named(row, rows) for _, row in changed.iterrows()]
    shown = ", ".join(names[:NAMED]) + (
        f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    )
    after = "no longer" if before else "then"
    return (
        f"the result is on the edge: without any one of {len(changed)} of {len(known)} {unit}s "
        f"({shown}) the setup is {after} {apart}; without the one that moves it most "
        f"{_answer(changed.loc[changed['cooks_distance'].idxmax()])}."
    )


def _named(row: pd.Series, rows: pd.DataFrame) -> str:
    """ "pair 3", with its field where there are several."""
    if row.get("unit") == "field":
        return f"field {row['field']}"
    field = f" of field {row['field']}" if rows["field"].nunique() > 1 else ""
    return f"pair {row['pair']}{field}"


def _answer(row: pd.Series) -> str:
    name = "ratio" if np.isfinite(row["ratio"]) else "difference"
    values = [float(row[f"{name}{end}"]) for end in ("", "_low", "_high")]
    shown = 2 if name == "ratio" else places(values)
    value, low, high = (number(v, shown) for v in values)
    adjusted = " adjusted for the number of setups" if row["p_adjusted"] != row["p"] else ""
    return f"the {name} is {value} ({low} to {high}), p = {row['p_adjusted']:.2g}{adjusted}"


def _span(known: pd.DataFrame) -> str:
    if known["ratio"].notna().all():
        return f"the ratio to between {known['ratio'].min():.2f} and {known['ratio'].max():.2f}"
    low, high = known["difference"].min(), known["difference"].max()
    width = (known["difference_high"] - known["difference_low"]).median() / 2
    shown = places((low, low - width, low + width))
    return f"the difference to between {number(low, shown)} and {number(high, shown)}"


def verdict(findings: list[Finding], strips: int) -> str:
    """The findings in words, loud ones first."""
    loud = [f for grade in ("doubt", "note") for f in findings if f.grade == grade]
    shape = [f for f in loud if f.about == "shape"]
    if any(f.grade == "doubt" for f in shape):
        lead = "The model is doubtful."
    elif shape:
        lead = "Something leans against the model."
    else:
        lead = "Nothing speaks against the model."
    parts = [lead, *(f.sentence for f in loud)]
    if not [f for f in loud if f.about == "influence"]:
        parts += [f.sentence for f in findings if f.about == "influence"]
    if not shape and strips < FEW_STRIPS:
        parts.append(f"With {strips} strips only gross faults would show.")
    return " ".join(parts)
