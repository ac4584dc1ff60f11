"""`check_header`: the header of a trial, row by row, against its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.header import arithmetic as a
from trialkit.header.capacity import field_capacity
from trialkit.header.finding_words import row_words
from trialkit.header.findings import Item, items_of
from trialkit.header.limits import HeaderLimits
from trialkit.header.noise import spread_after
from trialkit.header.plates import (
    FEWEST,
    PLATES,
    STATIONS,
    GapTarget,
    gap_target,
    pinches,
    plate_gaps,
    repairs,
    station_words,
)
from trialkit.header.rolls import judge_rolls, top_speeds
from trialkit.header.shown import html
from trialkit.header.strips import headers_of
from trialkit.header.unit import RowUnit
from trialkit.header.whole import gap_kind, medians_of
from trialkit.header.words import NOT_MEASURED, sentences
from trialkit.trial import Trial

OTHERS = ("roll_clearance", "plate_edge_wear", "chain_slack", "chain_stretch", "flaps")
"""Readings that need no arithmetic: each against its limit."""
@dataclass(frozen=True, slots=True, eq=False, repr=False)
class HeaderReport:
    """One header as measured. Lengths mm, speeds km/h, surface speeds m/s, areas ha.

    Attributes
    ----------
    header : str
    rows : DataFrame
        One row per row unit, from the left in the direction of travel: ``row``; what `plate_gaps`
        makes of its gaps and plates; the plates' distances from the row's centre; ``target_front,
        target_rear, departure_front, departure_rear``; ``clearance_1`` to ``clearance_5``,
        ``least_clearance``, ``pinched`` (stations in words); what `judge_rolls` makes of its rolls;
        the readings of `OTHERS`; ``rank`` (1 is first, missing where the row has nothing of its
        own); ``verdict`` (words).
    items : tuple of Item
        The list of what to fix: what all rows share, then row by row. Everything that is told to
        be done comes from it.
    fields : DataFrame
        One row per field the header ran in: ``field, strips, population`` (plants/ha),
        ``row_spacing`` (m), ``speed, roll_rpm``, ``feed_row, feed_header`` (plants/s), ``stalks``,
        ``target_front, target_rear, by_stalks``, ``pull_through`` (mm of roll), ``roll_ratio,
        chain_ratio`` (over ground speed), ``capacity`` (ha/h), ``hours_per_ha``.
    repairs : DataFrame
        What each repair of a row's gap takes off the spread between rows; see `plates.repairs`.
    target : GapTarget
        From all stalks measured.
    speed, fastest, pull_speed : float
        Mean and highest ground speed (km/h), speed of the stalk through the rolls (m/s).
    rpm : float
        Of the rolls, 1/min.
    new_speeds : (float, float, float)
        Highest speed at which new rolls pull, km/h: with the sizes as they stand, and at both ends
        of those assumed.
    medians, setting : (float, float)
        Front and rear gap of the median row, and as set when it was measured; NaN where unknown.
    own_gaps : bool
        Whether its strips were run at gaps of their own, so that none is the header's.
    unit : RowUnit
    limits : HeaderLimits
    cushion : bool
    efficiency : float
    system : str
        "US" or "SI": what the words speak in.
    width : float
        Of the header, m.
    row_units : int
        Of the header, as the trial's settings say; `rows` may hold fewer.
    speeds : tuple of float
        Distinct ground speeds its strips were set to, else measured at, km/h.
    notes : tuple of str
        What could not be said, and why.
    """

    header: str
    rows: pd.DataFrame
    fields: pd.DataFrame
    repairs: pd.DataFrame
    target: GapTarget
    speed: float
    fastest: float
    pull_speed: float
    rpm: float
    new_speeds: tuple[float, float, float]
    medians: tuple[float, float]
    setting: tuple[float, float]
    own_gaps: bool
    unit: RowUnit
    limits: HeaderLimits
    cushion: bool
    efficiency: float
    system: str
    width: float
    row_units: int
    speeds: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()
    items: tuple[Item, ...] = ()

    @property
    def summary(self) -> pd.Series:
        """The header in one line: means over its rows and over the strips it ran.

        ``rows, to_repair, gap_front, gap_rear, taper, gap_sd`` (mm), ``feed_row, feed_header``
        (plants/s), ``pull_through`` (mm, at the mean speed), ``top_speed`` (km/h, of the row with
        the shortest rolls), ``roll_ratio, chain_ratio, hours_per_ha``.
        """
        rows, weight = self.rows, self.weights

        def mean(column: str) -> float:
            values = self.fields[column].to_numpy(float)
            known = ~np.isnan(values)
            return (
                float(np.average(values[known], weights=weight[known])) if known.any() else np.nan
            )

        return pd.Series(
            {
                "rows": len(rows),
                "to_repair": len(self.items),
                "gap_front": rows["gap_front"].mean(),
                "gap_rear": rows["gap_rear"].mean(),
                "taper": rows["taper"].mean(),
                "gap_sd": rows["gap"].std(),
                "feed_row": mean("feed_row"),
                "feed_header": mean("feed_header"),
                "pull_through": mean("pull_through"),
                "top_speed": rows["top_speed"].min(),
                "roll_ratio": mean("roll_ratio"),
                "chain_ratio": mean("chain_ratio"),
                "hours_per_ha": mean("hours_per_ha"),
            }
        )

    @property
    def weights(self) -> np.ndarray:
        """What each field counts for in a mean: its strips; before there are any, all the same."""
        strips = self.fields["strips"].to_numpy(float)
        return strips if strips.any() else np.ones(len(strips))

    @property
    def first(self) -> pd.DataFrame:
        """Rows with something of their own on the list, in its order."""
        return self.rows[self.rows["rank"].notna()].sort_values("rank").reset_index(drop=True)

    @property
    def measured(self) -> bool:
        """Whether any reading stands in any row; "in order" is nothing to go by without one."""
        return bool(self.rows["verdict"].ne(NOT_MEASURED).any())

    @property
    def aims(self) -> tuple[float, float]:
        """Front and rear gap a row is to be set to, mm: that of the others where they are in order,
        else the setting, else the target."""
        many = self.rows["gap_front"].notna().sum() >= FEWEST
        front, rear = self.target[:2]
        if gap_kind(self) not in ("all wide", "all narrow"):
            off = np.subtract(self.medians, self.setting)
            kept = many and not (np.abs(off) > self.limits.own_gap).any()
            for pair in (self.medians if kept else self.setting, self.setting, self.medians):
                if not np.isnan(pair).any():
                    front, rear = pair
                    break
        taper = self.limits.taper
        return front, rear if abs(rear - front - taper) <= self.limits.taper_off else front + taper

    @property
    def plates_out(self) -> tuple[int, ...]:
        """Places in `rows` of those whose plates are to be set: crooked, bent, or a gap off."""
        out = self.rows["crooked"] | self.rows["off"] | self.rows["bent"]
        return tuple(np.flatnonzero(out.to_numpy()).tolist())

    @property
    def gaps_after(self) -> np.ndarray:
        """Mean gap of every row (mm) once those of `plates_out` are set to the median."""
        return spread_after(self.rows["gap"], self.plates_out)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The report in words, in the trial's own units."""
        return sentences(self)

    def __repr__(self) -> str:
        return f"HeaderReport({self.header!r}: {len(self.rows)} rows, {len(self.items)} to fix)"

    def _repr_html_(self) -> str:
        return html(self)


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
    notes: list[str] = []
    mean = float(given.mean() if given.size else strips["speed"].mean())
    fastest = float(given.max() if given.size else strips["speed"].max())
    rpm = _known(strips["roll_rpm"].mean(), roll_rpm)
    pull_speed = float(a.surface_speed(rpm, unit.roll_diameter) * unit.grip)
    grounds = _grounds(trial, strips, mean, rpm)
    stalks = trial.stalks[trial.stalks["field"].isin(grounds["field"])]
    target = gap_target(stalks["diameter"], cushion=cushion, limits=limits)
    rows = _rows(checked, target, rpm, fastest, unit, limits)
    fields = _fields(trial, grounds, unit, limits, cushion, efficiency, population, row_spacing)
    for missing, words in (
        (not len(trial.strips), "there are no strips yet: every field is taken to be run"),
        (len(trial.strips) > 0 and not len(strips),
         "no strip names this header: every field is taken to be run"),
        (math.isnan(mean), "no ground speed (--speed): feed rate and pulling are left out"),
        (math.isnan(rpm), "no roll speed (--roll-rpm): pulling and the roll ratio are left out"),
        (fields.empty or fields["population"].isna().any(),
         "plant population is not known for every field (--population): no feed rate"),
        (bool(unit.assumed) and not math.isnan(pull_speed),
         "sizes of the row unit were not given; how fast it pulls is told for a plausible range"),
        (unit.chain_speed is None, "no chain speed (--chain-speed): the chain ratio is left out"),
        (not target.stalks, "no stalks measured: the gap to aim at is the usual start"),
        (0 < target.stalks < 20, f"what stalks ask for rests on {target.stalks} of them only"),
        (len(rows) != trial.config.header.rows,
         f"{len(rows)} rows were checked, the trial's header has {trial.config.header.rows}"),
    ):  # fmt: skip
        if missing:
            notes.append(words)
    new = tuple(float(v) for v in top_speeds(unit, rpm))
    gaps = rows[["gap_front", "gap_rear"]].to_numpy(float)
    setting = medians_of(checked[["set_front", "set_rear"]].to_numpy(float))
    own = strips["gap_front"].nunique() > 1
    report = HeaderReport(
        header, rows, fields, repairs(rows["row"], rows["gap"]), target, mean, fastest, pull_speed,
        rpm, (new[0], new[1], new[2]), medians_of(gaps), setting, own,
        unit, limits, cushion, efficiency, trial.config.units, trial.config.header.width,
        trial.config.header.rows, _speeds(given, strips), tuple(notes),
    )  # fmt: skip
    items = items_of(report)
    for item in items:
        if not item.whole:
            rows.loc[item.places[0], "rank"] = item.rank
    rows["verdict"] = row_words(rows, items, _bare(rows), NOT_MEASURED)
    return replace(report, items=items)


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
    if header not in names:
        which = "several headers were checked; name one" if header is None else f"no {header!r}"
        raise DesignError(f"{which}: the headers checked are {', '.join(names)}.")
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
