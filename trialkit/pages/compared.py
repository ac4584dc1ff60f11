"""A comparison of many trials in words people read, and its tables as files; letters for names."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.facts import Ends, Grade
from trialkit.intake.level_names import labels_of
from trialkit.many import amounts
from trialkit.pages.compared_letters import ComparedLetters
from trialkit.pages.export import csv_bytes
from trialkit.words import many as words

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared

TABLES = ("trials", "skipped", "strips", "side_by_side", "effects", "by_trial", "by_field",
          "growers", "explained", "variances")  # fmt: skip


def effect_words(compared: TrialsCompared, value: float, low: float, high: float) -> str:
    """An effect and its interval on the model's scale: "31 % less (25 to 37 less)"."""
    return words.effect(Ends(value, low, high), compared.link, compared.unit)


def sentences(compared: TrialsCompared) -> list[str]:
    """What was compared, and for every setup the mean effect, what the trials found each by
    itself, and what the next field may show."""
    strips = compared.strips
    out = [words.compared(
        compared.title, len(compared.trials), len(strips[["trial", "field"]].drop_duplicates()),
        len(strips), compared.factors, compared.level,
    )]  # fmt: skip
    if compared.of_all:
        out.append(words.smaller_than_alone(compared.of_all))
    ground = compared.of_all.partition(" where")[0]
    for _, row in compared.effects.iterrows():
        factor = str(row["factor"]).replace("_", " ")
        label, reference = labels_of(factor, [str(row["level"]), str(row["reference"])])
        named = label if factor.casefold() in label.casefold() else f"{factor}, {label}"
        told = effect_words(compared, row["estimate"], row["low"], row["high"])
        said = [words.mean_effect(
            named, reference, told, ground, row["n_trials"], row["n_fields"],
            Grade(row["evidence"]),
        )]  # fmt: skip
        own = compared.by_trial.query("factor == @row.factor and level == @row.level")
        found = own[own["evidence"].isin([g.word for g in Grade if g.found])]
        less = int((found["raw"] < 0).sum())
        said.append(words.each_alone(less, len(found) - less, len(own)))
        if np.isfinite([row["predicted_low"], row["predicted_high"]]).all():
            shares = (row["same_direction_low"], row["same_direction_high"])
            said.append(words.next_field(
                float(row["predicted_low"]), float(row["predicted_high"]), shares,
                compared.link, compared.unit,
            ))  # fmt: skip
        else:
            said.append(words.next_field_not_known(int(row["n_trials"])))
        out.append(" ".join(said))
    return out


def grower_table(compared: TrialsCompared, letters: ComparedLetters) -> pd.DataFrame:
    """Every grower's own fields against the others', in words."""
    rows = []
    for _, row in letters.table(compared.growers).iterrows():
        what = words.over_setups()
        if row["factor"] != "mean":
            # The effect itself is compared: not how much is lost with the level.
            reference = compared.factors[row["factor"]][0]
            sign = " \N{MINUS SIGN} " if compared.link == "identity" else " / "
            what = sign.join(labels_of(row["factor"], [row["level"], reference]))
        told = effect_words(compared, row["difference"], row["low"], row["high"])
        rows.append({"grower": row["grower"], "fields": row["n_fields"],
                     "others": row["n_other_fields"], "what": what,
                     words.against_others(): told})  # fmt: skip
    return pd.DataFrame(rows)


def explained_words(compared: TrialsCompared) -> list[str]:
    """What moisture, speed and hybrid have to do with the spread, a sentence each."""
    return [
        words.explains(
            row["variable"], compared.title, row["part"], row["p"], row["sd_before"],
            row["sd_after"], bool(np.isfinite(row["reduction"])),
        )
        for _, row in compared.explained.iterrows()
    ]  # fmt: skip


def left_out(compared: TrialsCompared) -> list[str]:
    """Trials not used, by the names of their folders, with reasons: for the researcher alone."""
    return [words.by_name(row["trial"], row["reason"]) for _, row in compared.skipped.iterrows()]


def in_part(compared: TrialsCompared) -> list[str]:
    """Trials not all of whose strips were used, by the names of their folders, with what was left
    out: for the researcher alone."""
    noted = compared.trials[compared.trials["note"].fillna("") != ""]
    return [words.by_name(row["trial"], row["note"]) for _, row in noted.iterrows()]


def as_json(compared: TrialsCompared, letters: ComparedLetters) -> str:
    """All of the comparison for a program to read: tables as lists of rows, no value as null.

    ``differences`` are the mean effects in the response's unit (`trialkit.many.amounts`), the
    tables those of `TrialsCompared` with letters for names.
    """
    known = {
        "response": compared.response, "title": compared.title, "unit": compared.unit,
        "link": compared.link, "level": compared.level,
        "factors": {
            letters.text(name): list(map(letters.text, levels))
            for name, levels in compared.factors.items()
        },
        "differences": [
            {"factor": letters.text(c.factor), "level": letters.text(c.level),
             "reference": letters.text(c.reference), "label": letters.text(c.label),
             "reference_label": letters.text(c.reference_label), "unit": c.unit,
             **dict(zip(("difference", "low", "high"), c.difference, strict=True)),
             **dict(zip(("ratio", "ratio_low", "ratio_high"), c.ratio, strict=True)),
             "p_adjusted": c.p_adjusted, "evidence": c.grade.word, "n_trials": c.n_trials}
            for c in amounts.comparisons(compared)
        ],
        **{name: letters.table(getattr(compared, name)).to_dict("records") for name in TABLES},
        "notes": [letters.text(note) for note in compared.notes],
    }  # fmt: skip
    return json.dumps(_plain(known), ensure_ascii=False, allow_nan=False, indent=1)


def _plain(value: Any) -> Any:
    """What JSON holds: no value, and none that is no number, is null."""
    if isinstance(value, dict):
        return {str(key): _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return value if isinstance(value, bool | int | float | str) else str(value)


def csv_files(compared: TrialsCompared, letters: ComparedLetters) -> dict[str, bytes]:
    """Every table of the comparison that holds a row, as CSV by file name."""
    tables = {name: getattr(compared, name) for name in TABLES}
    return {f"{name}.csv": csv_bytes(letters.table(t)) for name, t in tables.items() if len(t)}
