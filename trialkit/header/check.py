"""`check_header`: the header of a trial, row by row, against its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.header import arithmetic as a
from trialkit.header.capacity import field_capacity
from trialkit.header.limits import HeaderLimits, RowUnit
from trialkit.header.plates import (
    GAPS,
    STATIONS,
    GapTarget,
    gap_target,
    pinches,
    plate_gaps,
    repairs,
    station_words,
)
from trialkit.header.shown import html
from trialkit.header.strips import headers_of
from trialkit.header.words import NOT_MEASURED, Lengths, row_verdicts, sentences
from trialkit.trial import Trial

ROLLS = ("sound", "worn", "worn too short", "too short when new", "not measured")
"""What a row's rolls are found to be. Worn rolls may still be long enough. "Worn too short": at the
fastest strip pulling finishes on a new roll only; "too short when new": not even there, so the
speed is in question, not the wear."""


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class HeaderReport:
    """One header as measured. Lengths mm, speeds km/h, surface speeds m/s, areas ha.

    Attributes
    ----------
    header : str
    rows : DataFrame
        One row per row unit, from the left in the direction of travel: ``row``; the four gap
        readings; ``gap_front, gap_rear, gap, taper, crooked_front, crooked_rear, own_gap, crooked,
        off`` as `plate_gaps`; ``target_front, target_rear, departure_front, departure_rear``;
        ``clearance_1`` to ``clearance_5``, ``least_clearance``, ``pinched`` (station numbers as
        text); ``roll_wear_length, effective_length, worn_share, top_speed``, ``rolls`` (one of
        `ROLLS`); ``rank`` (1 is to be repaired first, missing where nothing is found);
        ``verdict`` (words).
    fields : DataFrame
        One row per field the header ran in: ``field, strips, population`` (plants/ha),
        ``row_spacing`` (m), ``speed, roll_rpm``, ``feed_row, feed_header`` (plants/s), ``stalks``,
        ``target_front, target_rear``, ``pull_through`` (mm of roll), ``roll_ratio, chain_ratio``
        (over ground speed), ``capacity`` (ha/h), ``hours_per_ha``.
    repairs : DataFrame
        What each repair of a row's gap takes off the spread between rows; see `plates.repairs`.
    target : GapTarget
        From all stalks measured.
    speed, fastest, pull_speed : float
        Mean and highest ground speed (km/h), speed of the stalk through the rolls (m/s).
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
    unit: RowUnit
    limits: HeaderLimits
    cushion: bool
    efficiency: float
    system: str
    width: float
    row_units: int
    speeds: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()

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
                "to_repair": int(rows["rank"].notna().sum()),
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
        """Rows with something to repair, the first to repair first."""
        return self.rows[self.rows["rank"].notna()].sort_values("rank").reset_index(drop=True)

    @property
    def measured(self) -> bool:
        """Whether any reading stands in any row; "in order" is nothing to go by without one."""
        return bool(self.rows["verdict"].ne(NOT_MEASURED).any())

    @property
    def plates_out(self) -> tuple[int, ...]:
        """Places in `rows` of the rows whose plates are crooked or whose gap is off."""
        out = self.rows["crooked"] | self.rows["off"]
        return tuple(np.flatnonzero(out.to_numpy()).tolist())

    @property
    def sentences(self) -> tuple[str, ...]:
        """The report in words, in the trial's own units."""
        return sentences(self)

    def __repr__(self) -> str:
        return f"HeaderReport({self.header!r}: {len(self.rows)} rows, {len(self.first)} to repair)"

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
    assumed = unit is None
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
    rows = _rows(checked, target, pull_speed, fastest, unit, limits)
    fields = _fields(trial, grounds, unit, limits, cushion, efficiency, population, row_spacing)
    for missing, words in (
        (not len(trial.strips), "there are no strips yet: every field is taken to be run"),
        (len(trial.strips) > 0 and not len(strips),
         "no strip names this header: every field is taken to be run"),
        (math.isnan(mean), "no ground speed: feed rate and pulling are left out"),
        (math.isnan(rpm), "no roll speed: pulling and the roll ratio are left out"),
        (fields.empty or fields["population"].isna().any(),
         "no plant population for every field: no feed rate"),
        (assumed and not math.isnan(pull_speed),
         "the row unit's dimensions were not given; pulling rests on plausible ones"),
        (unit.chain_speed is None, "no chain speed: the chain ratio is left out"),
        (not target.stalks, "no stalks measured: the gap to aim at is the usual start"),
        (0 < target.stalks < 20, f"the gap to aim at rests on {target.stalks} stalks only"),
        (len(rows) != trial.config.header.rows,
         f"{len(rows)} rows were checked, the trial's header has {trial.config.header.rows}"),
    ):  # fmt: skip
        if missing:
            notes.append(words)
    rows["verdict"] = row_verdicts(rows, Lengths(trial.config.units), limits.roll_worn)
    return HeaderReport(
        header, rows, fields, repairs(rows["row"], rows["gap"]), target, mean, fastest, pull_speed,
        unit, limits, cushion, efficiency, trial.config.units, trial.config.header.width,
        trial.config.header.rows, _speeds(given, strips), tuple(notes),
    )  # fmt: skip


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
    checked: pd.DataFrame, target: GapTarget, pull_speed: float, fastest: float, unit: RowUnit,
    limits: HeaderLimits,
) -> pd.DataFrame:  # fmt: skip
    number = pd.to_numeric(checked["row"], errors="coerce")
    checked = checked.loc[number.sort_values(kind="stable").index].reset_index(drop=True)
    out = checked[["row", *GAPS]].join(plate_gaps(checked, limits))
    for end in ("front", "rear"):
        out[f"target_{end}"] = getattr(target, end)
        out[f"departure_{end}"] = out[f"gap_{end}"] - getattr(target, end)
    stations = checked[list(STATIONS)]
    pinched = pinches(stations, limits.guide_clearance)
    out[list(STATIONS)] = stations
    out["least_clearance"] = stations.min(axis=1)
    out["pinched"] = [station_words(row) for row in pinched]
    wear = checked["roll_wear_length"]
    out["roll_wear_length"] = wear
    out["effective_length"] = a.effective_length(unit.roll_length, wear)
    out["worn_share"] = (wear / unit.roll_length).clip(upper=1.0)
    out["top_speed"] = a.top_speed(out["effective_length"], unit.pulled_length, pull_speed)
    new = a.top_speed(unit.roll_length, unit.pulled_length, pull_speed)
    # NaN compares as false: an unknown speed makes no roll too short.
    short = out["top_speed"] < fastest
    out["rolls"] = np.select(
        [wear.isna(), short & (new < fastest), short, out["worn_share"] > limits.roll_worn],
        ["not measured", "too short when new", "worn too short", "worn"],
        "sound",
    )
    out["rank"] = _ranks(out)
    return out


def _ranks(rows: pd.DataFrame) -> pd.Series:
    """Order of repair: plates by how far the gap is out, guides by how tight the tightest station
    is, then rolls worn too short by how little is left. Other wear is told, not ranked."""
    plates, guides = rows["crooked"] | rows["off"], rows["pinched"] != ""
    kind = np.select([plates, guides, rows["rolls"] == "worn too short"], [0, 1, 2], 9)
    within = np.select(
        [kind == 0, kind == 1],
        [-rows["own_gap"].abs().fillna(0), rows["least_clearance"].fillna(0)],
        rows["effective_length"].fillna(0),
    )
    order = np.lexsort((np.arange(len(rows)), within, kind))
    rank = np.empty(len(rows))
    rank[order] = np.arange(1, len(rows) + 1)
    return pd.Series(np.where(kind < 9, rank, np.nan), index=rows.index)


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
    surface = a.surface_speed(out["roll_rpm"], unit.roll_diameter)
    out["pull_through"] = a.pull_through(out["speed"], unit.pulled_length, surface * unit.grip)
    out["roll_ratio"] = a.speed_ratio(surface, out["speed"])
    chain = np.nan if unit.chain_speed is None else unit.chain_speed
    out["chain_ratio"] = a.speed_ratio(chain, out["speed"])
    out["capacity"] = field_capacity(out["speed"], config.width, efficiency)
    out["hours_per_ha"] = 1 / out["capacity"]
    return out
