"""`check_header`: the header of a trial, row by row, against its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.header import arithmetic as a
from trialkit.header.capacity import field_capacity
from trialkit.header.findings import items_of
from trialkit.header.limits import HeaderLimits
from trialkit.header.plates import (
    PLATES,
    STATIONS,
    GapTarget,
    gap_target,
    pinches,
    plate_gaps,
    repairs,
    station_words,
)
from trialkit.header.report import HeaderReport
from trialkit.header.rolls import judge_rolls, top_speeds
from trialkit.header.strips import headers_of
from trialkit.header.told import told_of
from trialkit.header.unit import RowUnit
from trialkit.header.whole import medians_of
from trialkit.trial import Trial

OTHERS = ("roll_clearance", "plate_edge_wear", "chain_slack", "chain_stretch", "flaps")
"""Readings that need no arithmetic: each against its limit."""
FEW_STALKS = 20
"""Fewer stalks than this are said to be few (common practice)."""


def check_header(
    trial: Trial,
    header: str | None = None,
    *,
    speed: float | Sequence[float] | None = None,
    roll_rpm: float | None = None,
    population: float | None = None,
    row_spacing: float | None = None,
    cushion: bool = False,
    efficiency: float = 0.70,
    unit: RowUnit | None = None,
    limits: HeaderLimits | None = None,
) -> HeaderReport:
    """Check a header, row by row, from the trial's ``header_check``, ``stalks`` and strips.

    Parameters
    ----------
    trial : Trial
    header : str, optional
        Which one; the only one where there is one.
    speed : float or sequence of float, optional
        Ground speed, km/h, or several; else that of the header's strips: measured, or set.
    roll_rpm : float, optional
        1/min; else that of its strips.
    population : float, optional
        Plants/ha; else that of each field.
    row_spacing : float, optional
        m; else that of each field, or the header's width by its rows.
    cushion : bool
        The chain carries a cushion, so the gap to aim at is wider.
    efficiency : float
        Field efficiency as a share; 0.70 is the typical value of ASABE D497 for a combine (from
        memory).
    unit : RowUnit, optional
        Dimensions of the row unit.
    limits : HeaderLimits, optional

    Returns
    -------
    HeaderReport

    Raises
    ------
    DesignError
        Without a header check, for a header that is not in it, or for several and none named.
    """
    unit, limits = unit or RowUnit(), limits or HeaderLimits()
    header = _which(trial, header)
    checked = trial.header_check[trial.header_check["header"] == header]
    strips = trial.strips[headers_of(trial) == header].copy()
    measured = strips["speed_measured"].fillna(strips["speed_set"])
    given = np.atleast_1d(np.array([] if speed is None else speed, dtype=float))
    strips["speed"] = given.mean() if given.size else measured
    if roll_rpm is not None:
        strips["roll_rpm"] = roll_rpm
    mean = float(given.mean() if given.size else strips["speed"].mean())
    fastest = float(given.max() if given.size else strips["speed"].max())
    rpm = _known(strips["roll_rpm"].mean(), roll_rpm)
    pull_speed = float(a.surface_speed(rpm, unit.roll_diameter) * unit.grip)
    grounds = _grounds(trial, strips, mean, rpm)
    stalks = trial.stalks[trial.stalks["field"].isin(grounds["field"])]
    target = gap_target(stalks["diameter"], cushion=cushion, limits=limits)
    rows = _rows(checked, target, rpm, fastest, unit, limits)
    fields = _fields(trial, grounds, unit, limits, cushion, efficiency, population, row_spacing)
    notes = _notes(trial, strips, rows, fields, target, unit, mean, rpm)
    new = tuple(float(v) for v in top_speeds(unit, rpm))
    gaps = rows[["gap_front", "gap_rear"]].to_numpy(float)
    setting = medians_of(checked[["set_front", "set_rear"]].to_numpy(float))
    own = strips["gap_front"].nunique() > 1
    report = HeaderReport(
        header, rows, fields, repairs(rows["row"], rows["gap"]), target, mean, fastest, pull_speed,
        rpm, (new[0], new[1], new[2]), medians_of(gaps), setting, own,
        unit, limits, cushion, efficiency, trial.config.units, trial.config.header.width,
        trial.config.header.rows, _speeds(given, strips), notes,
    )  # fmt: skip
    report = replace(report, items=items_of(report), told=told_of(report))
    for item in report.items:
        if not item.whole:
            rows.loc[item.places[0], "rank"] = item.rank
    return report


def _notes(
    trial: Trial, strips: pd.DataFrame, rows: pd.DataFrame, fields: pd.DataFrame,
    target: GapTarget, unit: RowUnit, speed: float, rpm: float,
) -> tuple[Note, ...]:  # fmt: skip
    """What could not be told, and why."""
    units = trial.config.header.rows
    unknown = fields.empty or fields["population"].isna().any()
    said = (
        (not len(trial.strips), Note("header.no_strips")),
        (len(trial.strips) > 0 and not len(strips), Note("header.unnamed_by_strips")),
        (math.isnan(speed), Note("header.no_speed")),
        (math.isnan(rpm), Note("header.no_roll_speed")),
        (unknown, Note("header.no_population")),
        (bool(unit.assumed) and not math.isnan(rpm), Note("header.sizes_assumed")),
        (unit.chain_speed is None, Note("header.no_chain_speed")),
        (not target.stalks, Note("header.no_stalks")),
        (0 < target.stalks < FEW_STALKS, Note("header.few_stalks", {"stalks": target.stalks})),
        (len(rows) != units, Note("header.rows_differ", {"checked": len(rows), "rows": units})),
    )
    return tuple(note for missing, note in said if missing)


def _bare(rows: pd.DataFrame) -> pd.Series:
    """Rows in which something is not read that is always, or is in another row."""
    always = ["gap_front", "gap_rear", *STATIONS, "wear"]
    used = [c for c in (*PLATES, *OTHERS) if rows[c].notna().any()]
    return rows[[*always, *used]].isna().any(axis=1)


def _speeds(given: np.ndarray, strips: pd.DataFrame) -> tuple[float, ...]:
    asked = strips["speed_set"].dropna()
    measured = strips.groupby("field", sort=False)["speed"].mean().dropna()
    values = given if given.size else asked if len(asked) else measured
    return tuple(sorted(dict.fromkeys(np.round(values, 6).tolist())))


def _grounds(trial: Trial, strips: pd.DataFrame, speed: float, rpm: float) -> pd.DataFrame:
    """Fields the header ran in: ``field, strips, speed, roll_rpm``; every field that is known as
    long as no strip is said to have been run with it, as before harvest."""
    if len(strips):
        own = strips.groupby("field", sort=False)
        out = own.size().rename("strips").reset_index()
        means = own[["speed", "roll_rpm"]].mean().reset_index()
        return out.merge(means, on="field", how="left")
    names = list(dict.fromkeys([*trial.fields["field"], *trial.stalks["field"]])) or [""]
    return pd.DataFrame({"field": names, "strips": 0, "speed": speed, "roll_rpm": rpm})


def _known(value: float, given: float | None) -> float:
    return float(value if given is None else given)


def _which(trial: Trial, header: str | None) -> str:
    names = list(dict.fromkeys(trial.header_check["header"]))
    if not names:
        raise DesignError("the trial has no header_check table: one row per row unit is needed.")
    if header is None and len(names) == 1:
        return str(names[0])
    known = ", ".join(names)
    if header is None:
        raise DesignError(
            f"several headers were checked; name one: the headers checked are {known}."
        )
    if header not in names:
        raise DesignError(f"no {header!r}: the headers checked are {known}.")
    return str(header)


def _rows(
    checked: pd.DataFrame, target: GapTarget, rpm: float, fastest: float, unit: RowUnit,
    limits: HeaderLimits,
) -> pd.DataFrame:  # fmt: skip
    number = pd.to_numeric(checked["row"], errors="coerce")
    checked = checked.loc[number.sort_values(kind="stable").index].reset_index(drop=True)
    out = checked[["row", *PLATES]].join(plate_gaps(checked, limits))
    for end in ("front", "rear"):
        out[f"target_{end}"] = getattr(target, end)
        out[f"departure_{end}"] = out[f"gap_{end}"] - getattr(target, end)
    stations = checked[list(STATIONS)]
    pinched = pinches(stations, limits.guide_clearance)
    out[list(STATIONS)] = stations
    out["least_clearance"] = stations.min(axis=1)
    out["pinched"] = [station_words(row) for row in pinched]
    out = out.join(judge_rolls(checked, unit, rpm, fastest, limits)).join(checked[list(OTHERS)])
    told = checked.drop(columns=["header", "row", "set_front", "set_rear"])
    out["empty"] = told.isna().all(axis=1)
    out["bare"] = _bare(out)
    out["rank"] = np.nan
    return out


def _fields(
    trial: Trial, grounds: pd.DataFrame, unit: RowUnit, limits: HeaderLimits, cushion: bool,
    efficiency: float, population: float | None, row_spacing: float | None,
) -> pd.DataFrame:  # fmt: skip
    config = trial.config.header
    known = trial.fields.set_index("field")
    out = grounds.copy()

    def given(column: str, value: float | None) -> Any:
        return out["field"].map(known[column]).astype(float) if value is None else value

    out["population"] = given("population", population)
    out["row_spacing"] = given("row_spacing", row_spacing)
    out["row_spacing"] = out["row_spacing"].astype(float).fillna(config.width / config.rows)
    out["feed_row"] = a.feed_rate(out["population"], out["row_spacing"], out["speed"])
    out["feed_header"] = out["feed_row"] * config.rows
    targets = [
        gap_target(
            trial.stalks.loc[trial.stalks["field"] == field, "diameter"],
            cushion=cushion,
            limits=limits,
        )
        for field in out["field"]
    ]
    out["stalks"] = [target.stalks for target in targets]
    out["target_front"] = [target.front for target in targets]
    out["target_rear"] = [target.rear for target in targets]
    out["by_stalks"] = [target.by_stalks for target in targets]
    surface = a.surface_speed(out["roll_rpm"], unit.roll_diameter)
    out["pull_through"] = a.pull_through(out["speed"], unit.pulled_length, surface * unit.grip)
    out["roll_ratio"] = a.speed_ratio(surface, out["speed"])
    chain = np.nan if unit.chain_speed is None else unit.chain_speed
    out["chain_ratio"] = a.speed_ratio(chain, out["speed"])
    out["capacity"] = field_capacity(out["speed"], config.width, efficiency)
    out["hours_per_ha"] = 1 / out["capacity"]
    return out
