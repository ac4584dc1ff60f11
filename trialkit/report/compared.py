"""A comparison of many trials in words people read, and its tables as files; letters for names."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.grades import Grade
from trialkit.intake.level_names import labels_of
from trialkit.quantities import Scale, lower_first, number, upper_first
from trialkit.report.chances import of_hundred
from trialkit.report.export import csv_bytes
from trialkit.report.letters import ComparedLetters
from trialkit.report.wording import brackets, change

if TYPE_CHECKING:
    from trialkit.comparison import Comparison

TABLES = ("trials", "skipped", "strips", "side_by_side", "effects", "by_field", "growers",
          "explained", "variances")  # fmt: skip
_VARIABLES = {"moisture": "Grain moisture", "speed_measured": "Ground speed", "hybrid": "Hybrid"}
_PERCENT = Scale("%", 1.0)


def effect_words(comparison: Comparison, value: float, low: float, high: float) -> str:
    """An effect and its interval on the model's scale: "31 % less (25 to 37 less)"."""
    if comparison.link == "identity":
        return change(value, low, high, Scale(comparison.unit, 1.0))
    value, low, high = (100.0 * math.expm1(min(v, 700.0)) for v in (value, low, high))
    words = change(value, low, high, _PERCENT)
    return f"odds {words}" if comparison.link == "logit" else words


def sentences(comparison: Comparison) -> list[str]:
    """What was compared, and for every setup the mean effect and what the next field may show."""
    strips = comparison.strips
    fields = len(strips[["trial", "field"]].drop_duplicates())
    factors = "; ".join(f"{f} ({', '.join(v)})" for f, v in comparison.factors.items())
    out = [
        f"{comparison.title}: {len(comparison.trials)} trials, {fields} fields, {len(strips)} "
        f"strips, compared by {factors}. {brackets(comparison.level)}"
    ]
    if comparison.of_all:
        out.append(
            f"Figures are{comparison.of_all}, so smaller than those on a trial's own pages, which "
            "are of what the header lost."
        )
    ground = comparison.of_all.partition(" where")[0]
    for _, row in comparison.effects.iterrows():
        factor = str(row["factor"]).replace("_", " ")
        label, reference = labels_of(factor, [str(row["level"]), str(row["reference"])])
        named = label if factor.casefold() in label.casefold() else f"{factor}, {label}"
        text = (
            f"{upper_first(named)} against {reference}: "
            f"{effect_words(comparison, row['estimate'], row['low'], row['high'])}{ground}, "
            f"mean over {row['n_trials']} trials and {row['n_fields']} fields. "
            f"{Grade[row['evidence'].upper()].value}"
        )
        if np.isfinite([row["predicted_low"], row["predicted_high"]]).all():
            text += (
                f" A field of the next trial: {_between(comparison, row)}. Of 100 such fields, "
                f"{of_hundred(row['same_direction_low'], row['same_direction_high'])} would go the "
                "same way."
            )
        out.append(text)
    return out


def _between(comparison: Comparison, row: pd.Series) -> str:
    """Ends of the interval for the next field, each in words."""
    ends = []
    for name in ("predicted_low", "predicted_high"):
        value = float(row[name])
        unit = comparison.unit
        if comparison.link != "identity":
            value, unit = 100.0 * math.expm1(min(value, 700.0)), "%"
        size = abs(value)
        places = max(0, 1 - math.floor(math.log10(size))) if size > 0 else 0
        ends.append(f"{number(size, min(places, 3) if unit != '%' else 0)} {unit} "
                    f"{'less' if value < 0 else 'more'}")  # fmt: skip
    return f"from {ends[0]} to {ends[1]}"


def grower_table(comparison: Comparison, letters: ComparedLetters) -> pd.DataFrame:
    """Every grower's own fields against the others', in words."""
    rows = []
    for _, row in letters.table(comparison.growers).iterrows():
        what = "mean over setups"
        if row["factor"] != "mean":
            # The effect itself is compared: not how much is lost with the level.
            reference = comparison.factors[row["factor"]][0]
            sign = " \N{MINUS SIGN} " if comparison.link == "identity" else " / "
            what = sign.join(labels_of(row["factor"], [row["level"], reference]))
        words = effect_words(comparison, row["difference"], row["low"], row["high"])
        rows.append({"grower": row["grower"], "fields": row["n_fields"],
                     "others": row["n_other_fields"], "what": what,
                     "own fields against the others": words})  # fmt: skip
    return pd.DataFrame(rows)


def explained_words(comparison: Comparison) -> list[str]:
    """What moisture, speed and hybrid have to do with the spread, a sentence each."""
    out = []
    for _, row in comparison.explained.iterrows():
        name = _VARIABLES.get(row["variable"], str(row["variable"]))
        what = f"mean {comparison.title.lower()}" if row["part"] == "mean" else "setup's effect"
        p = "p < 0.001" if row["p"] < 0.001 else f"p = {row['p']:.2g}"
        text = f"{name} and the {what}: {p}"
        if np.isfinite(row["reduction"]):
            text += f"; spread between fields {row['sd_before']:.2g} without, "
            text += f"{row['sd_after']:.2g} with"
        out.append(text + ".")
    return out


def left_out(comparison: Comparison) -> list[str]:
    """Trials not used, by the names of their folders, with reasons: for the researcher alone."""
    return [f"{row['trial']}: {lower_first(row['reason'])}"
            for _, row in comparison.skipped.iterrows()]  # fmt: skip


def in_part(comparison: Comparison) -> list[str]:
    """Trials not all of whose strips were used, by the names of their folders, with what was left
    out: for the researcher alone."""
    noted = comparison.trials[comparison.trials["note"].fillna("") != ""]
    return [f"{row['trial']}: {lower_first(row['note'])}" for _, row in noted.iterrows()]


def csv_files(comparison: Comparison, letters: ComparedLetters) -> dict[str, bytes]:
    """Every table of the comparison that holds a row, as CSV by file name."""
    tables = {name: getattr(comparison, name) for name in TABLES}
    return {f"{name}.csv": csv_bytes(letters.table(t)) for name, t in tables.items() if len(t)}
