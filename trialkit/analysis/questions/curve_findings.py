"""What a curve of a setup's effect shows, and what it rests on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.analysis.noted import of_the_engine
from trialkit.analysis.questions.curve_line import THIN, Line
from trialkit.facts import Note
from trialkit.words.curves import ALONG


def stretches(x: np.ndarray, where: np.ndarray) -> list[tuple[float, float]]:
    """First and last `x` of every run of points at which `where` holds."""
    edge = np.flatnonzero(np.diff(np.r_[False, where, False].astype(int)))
    return [(float(x[a]), float(x[b - 1])) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def shown(
    line: Line, table: pd.DataFrame, interaction: pd.Series, unit: str, confidence: float
) -> tuple[Note, ...]:
    """Where the band for all values leaves out no effect, the change per unit, thin stretches."""
    result, x = line.result, table["x"].to_numpy()
    units = {"unit": unit, "system": result.design.units}
    about = {"along": ALONG[line.along], "confidence": confidence}
    ratio = bool(table["ratio"].notna().any())
    column, none = ("ratio", 1.0) if ratio else ("difference", 0.0)
    out = []
    if result.reading.ratios and not ratio:
        out.append(Note("curves.no_ratios"))
    labels = result.design.labels(line.factor)
    who = {"level": labels[line.level], "reference": labels[line.reference], "ratio": ratio}
    for above, where in (
        (False, table[f"{column}_high_all"] < none),
        (True, table[f"{column}_low_all"] > none),
    ):
        for low, high in stretches(x, where.to_numpy()):
            ends = {"low": low, "high": high, "above": above}
            out.append(Note("curves.left_out", {**ends, **units, **about, **who}))
    if all(note.code != "curves.left_out" for note in out):
        ends = {"low": float(x[0]), "high": float(x[-1]), "ratio": ratio}
        out.append(Note("curves.nowhere_left_out", {**ends, **units, **about}))
    out.append(_change(line, interaction, unit, confidence))
    for low, high in stretches(x, table["thin"].to_numpy()):
        out.append(Note("curves.thin", {"low": low, "high": high, **units, "strips": THIN}))
    return tuple(out)


def _change(line: Line, found: pd.Series, unit: str, confidence: float) -> Note:
    """Change of the effect per unit of the covariate, and its test."""
    result, reading = line.result, line.reading
    test = {"f": float(found["F"])} | {n: float(found[n]) for n in ("num_df", "den_df", "p")}
    if reading.zones:
        return Note("curves.change_in_zones", test)
    ends = {name: float(found[f"per_unit{end}"])
            for name, end in (("value", ""), ("low", "_low"), ("high", "_high"))}  # fmt: skip
    values: dict[str, Any] = {
        **ends, **test, "along_unit": unit, "system": result.design.units,
        "confidence": confidence,
    }  # fmt: skip
    if reading.additive(line.fit):
        return Note("curves.change_of_difference", {**values, "unit": result.unit})
    odds = not (reading.log or line.fit.family.link == "log")
    return Note("curves.change_of_ratio", {**values, "odds": odds})


def assumed(line: Line, strips: pd.DataFrame) -> tuple[Note, ...]:
    """What a curve rests on; `strips` has their field and the covariate."""
    scale = "log" if line.reading.log else str(line.fit.family.link)
    own = {"along": ALONG[line.along]}
    notes = [
        Note("curves.straight_line", {**own, "scale": scale, "zones": bool(line.reading.zones)}),
        Note("curves.observed", own),
    ]
    fields, values = strips["field"].nunique(), strips[line.along]
    between = strips.groupby("field")[line.along].transform("mean")
    total = float(((values - values.mean()) ** 2).sum())
    if fields > 1 and float(((between - values.mean()) ** 2).sum()) > 0.5 * total:
        notes.append(Note("curves.between_fields", {**own, "fields": fields}))
    notes += of_the_engine(line.fit.notes)
    return tuple(notes)
